"""What is said of two doors: the boxed answer, its figures and drawing, and what use has to do with it."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta

from dashboards.figures import drawing
from dashboards.figures.drawing import Interval
from dashboards.pages import dates, words
from dashboards.pages.facts import DoorFacts
from dashboards.pages.pairs import Compared
from server.alerts.steps import DOUBTING
from server.inspection.comparing import DROOP, HORIZON_YEARS, Pair, SeenSoFar
from server.inspection.use_said import Rates, rates_said, use_said
from server.trials.words import undeclared, verdict

MONTH_DAYS, YEAR_DAYS = 30.44, 365.25
NARROW = 0.1
TWO_SEASONS = "Two seasons are few; the bounds may move."
SCALE = f"A turn of 1{words.NBSP}mrad is 0.2{words.NBSP}mm across a 200{words.NBSP}mm rail."
BARS = "The pale bar holds for every night together, the dark one for tonight alone, each 19 times in 20."
Names = tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """What is written at an interval's ends and middle."""

    low: str
    middle: str
    high: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The boxed answer: first words, the sentence, what follows it, and the interval's drawing."""

    word: str
    head: str
    say: str
    more: str = ""
    interval: Interval | None = None
    figures: Figures | None = None
    left: str = ""
    right: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """A difference, b less a, with the bounds that are said; `inner`: those of tonight alone."""

    middle: float
    low: float
    high: float
    inner: tuple[float, float] | None = None
    band: float | None = None


def names_of(a: DoorFacts, b: DoorFacts) -> Names:
    """Both doors' names, kept apart from the words round them."""
    return words.isolated(a.door.shown), words.isolated(b.door.shown)


def seen_verdict(told: Compared) -> Verdict:
    """What is seen so far, by bounds that may be read on any night."""
    a, b = told.asked.a, told.asked.b
    names, what = names_of(a, b), told.name
    refused = not_compared(told, told.seen)
    look, said = told.seen.look, told.seen.said
    if refused or look is None or said.low is None or said.high is None:
        return Verdict(word="not_to_be_compared", head="Not to be compared", say=refused)
    bounds = Bounds(
        middle=look.estimate.value,
        low=look.low,
        high=look.high,
        inner=(said.low, said.high),
        band=told.asked.band,
    )
    sentences = [_beside(told, look.why, look.could_tell_years), "" if what == DROOP else SCALE]
    if said.status == "provisional":
        sentences.insert(0, TWO_SEASONS)
    more = " ".join(one for one in sentences if one)
    return drawn_verdict(look.word, bounds, names, is_droop=what == DROOP, more=more)


def drawn_verdict(
    word: str,
    bounds: Bounds,
    names: Names,
    *,
    is_droop: bool,
    more: str,
    per: str = "100{nbsp}N·m it carries",
) -> Verdict:
    """A word with its sentence, figures and drawing; `per`: what each turn is counted for."""
    shown = _figures(bounds)
    return Verdict(
        word=word,
        head=head_of(word, names, is_droop=is_droop),
        say=_sentence(bounds, names, is_droop=is_droop, per=per.format(nbsp=words.NBSP)),
        more=more,
        interval=drawing.interval(
            bounds.low, bounds.middle, bounds.high, inner=bounds.inner, band=bounds.band
        ),
        figures=shown,
        left=f"{names[0]}’s more",
        right=f"{names[1]}’s more",
    )


def head_of(word: str, names: Names, *, is_droop: bool) -> str:
    """The four words; of a droop that it grows."""
    head = verdict(word, *names)
    return head.replace("joint turns", "droop grows") if is_droop else head


def droop_beside(told: Compared) -> str:
    """The droop in a sentence, for the page that answers of a joint."""
    if told.droop is None:
        return ""
    names = names_of(told.asked.a, told.asked.b)
    refused = not_compared(told, told.droop)
    look = told.droop.look
    if refused or look is None:
        return f"Their droop is not to be compared. {refused}"
    bounds = Bounds(middle=look.estimate.value, low=look.low, high=look.high)
    said = _sentence(bounds, names, is_droop=True, per="")
    return f"{head_of(look.word, names, is_droop=True)}. {said}"


def not_compared(told: Compared, seen: SeenSoFar) -> str:
    """Why the two are not to be compared and what would change it; empty where they are."""
    a, b = told.asked.a, told.asked.b
    if a.door.id == b.door.id:
        return "It is one door. Choose two."
    doubted = [one for one, key in zip((a, b), seen.asked.keys, strict=True) if _is_doubted(told, one, key)]
    if doubted:
        names = " and ".join(words.isolated(one.door.shown) for one in doubted)
        return f"A gauge it rests on is in doubt at {names}: look at that gauge first."
    if seen.said.difference is not None:
        return ""
    return _refused(seen, names_of(a, b))


def undeclared_words(pair: Pair) -> str:
    """What stands beside a comparison that nobody declared."""
    return undeclared(len(pair.asked))


def use_words(told: Compared, rates: Rates = (None, None)) -> str:
    """What may be said of use; empty where neither door is counted for long enough.

    `rates`: each door's own for 10,000 openings.
    """
    names = names_of(told.asked.a, told.asked.b)
    said = use_said(told.seen, told.per_openings, told.pair.use, names, told.name)
    whole = f"{said} {rates_said(rates, names, told.name)}".strip()
    for unit in (" mrad", " mm", " N·m"):
        whole = whole.replace(unit, words.NBSP + unit.strip())
    return whole


def number_of(reach: float) -> Callable[[float], str]:
    """How a rate is printed: two decimals, three where all of it is under a tenth."""
    places = 3 if reach < NARROW else 2
    return lambda value: words.number(value, places)


def _figures(bounds: Bounds) -> Figures:
    number = number_of(max(abs(bounds.low), abs(bounds.high)))

    def signed(value: float) -> str:
        text = number(value)
        return text if text.startswith(words.MINUS) or float(text) == 0 else f"+{text}"

    return Figures(low=signed(bounds.low), middle=signed(bounds.middle), high=signed(bounds.high))


def _sentence(bounds: Bounds, names: Names, *, is_droop: bool, per: str) -> str:
    """Who moves how much more, and between which bounds."""
    number = number_of(max(abs(bounds.low), abs(bounds.high)))
    is_b = bounds.middle >= 0
    first, other = (names[1], names[0]) if is_b else (names[0], names[1])
    size = abs(bounds.middle)
    least, most = (bounds.low, bounds.high) if is_b else (-bounds.high, -bounds.low)
    unit = "mm" if is_droop else "mrad"
    moves = f"{first}’s droop grows" if is_droop else f"For each {per}, {first}’s joint turns"
    what = f"{moves} {number(size)}{words.NBSP}{unit} a year more than {other}’s"
    if least > 0:
        return f"{what}, between {number(least)} and {number(most)}."
    return f"{what}; the bounds reach from {number(-least)} less to {number(most)} more."


def _beside(told: Compared, why: str | None, could_tell_years: float | None) -> str:
    a, b = told.asked.a, told.asked.b
    if could_tell_years is not None:
        later = max(a.door.hung, b.door.hung)
        month = dates.month((later + timedelta(days=could_tell_years * YEAR_DAYS)).date())
        return f"If both go on as they have, they could be told apart about {month}."
    names = names_of(a, b)
    return {
        "not_within_trial": f"Not within {HORIZON_YEARS:.0f}{words.NBSP}years, if both go on as they have.",
        "ended": f"Not told within {HORIZON_YEARS:.0f}{words.NBSP}years.",
        "as_much_not_told": "Whether by as much as matters is not told.",
        "a_more_within_band": f"{names[0]}’s moves more, by less than you said matters.",
        "b_more_within_band": f"{names[1]}’s moves more, by less than you said matters.",
    }.get(why or "", "")


def _refused(seen: SeenSoFar, names: Names) -> str:
    reason, shared = seen.said.reason, seen.years * YEAR_DAYS
    if reason == "first_year":
        months = int(shared / MONTH_DAYS)
        if months >= 12:
            return "A look has yet to be taken at one of them since its first year; the next night takes it."
        heard = f"{months}{words.NBSP}month{'' if months == 1 else 's'}"
        return f"The two have been heard together for {heard}; it takes a year."
    if reason == "no_readings":
        return f"Nothing is known yet of one of the two, {names[0]} or {names[1]}."
    if reason == "too_few_days":
        return "Too few days were heard of one of the two; it takes 180 that both have."
    return words.not_known("season" if reason == "season" else "wide")


def _is_doubted(told: Compared, one: DoorFacts, key: str) -> bool:
    series = (told.pair.a if one is told.asked.a else told.pair.b).series.get(key)
    rests_on = () if series is None else series.rests_on
    return any(alert.step in DOUBTING and alert.about in rests_on for alert in one.standing)
