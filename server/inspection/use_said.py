"""What may be said of two doors' use beside a comparison: page and command say it alike."""

from collections.abc import Sequence
from typing import Protocol

from server.inspection.comparing import DROOP, Asked, SeenSoFar, Used
from server.inspection.use import CountedUse
from server.trend.trial import Look
from server.trend.trial_use import PerOpenings, UseUnknownError, per_10000, said_of_use
from server.trials.words import of_use

ABOUT_AS_OFTEN = 1.05
NARROW = 0.1
EVENLY = (
    "Both are used too evenly for openings to be told from years: no sum can say with which of the two a "
    "movement goes."
)
OF_THESE = "That says whether openings matter in these doors, not whether a joint is good."
Names = tuple[str, str]
Rates = tuple[PerOpenings | None, PerOpenings | None]


class Rated(Protocol):
    """What is asked of a door's own series: its rate a year with its 95 % bounds; None where refused."""

    @property
    def rate(self) -> float | None:
        """Growth of what stays."""
        ...

    @property
    def low(self) -> float | None:
        """Its lower bound."""
        ...

    @property
    def high(self) -> float | None:
        """Its upper bound."""
        ...


def use_said(seen: SeenSoFar, per_openings: SeenSoFar | None, use: Used, names: Names, what: str) -> str:
    """What use has to do with a comparison: who is opened more, what counting says, and what can be parted.

    `what`: a joint's name, or `droop`. Empty where neither door is counted for long enough.
    """
    if use == (None, None):
        return ""
    if use[0] is None or use[1] is None:
        return of_use("not_counted", names[0 if use[0] is None else 1])
    often = use[1].year.total / use[0].year.total
    said = [_counted(seen, per_openings, often, names), _beside(seen, names, what)]
    return " ".join(one for one in said if one)


def rates_said(rates: Rates, names: Names, what: str) -> str:
    """Each door's own rate for 10,000 openings in a sentence; empty unless both are told."""
    if rates[0] is None or rates[1] is None:
        return ""
    per = "10,000 openings" if what == DROOP else "10,000 openings and 100 N·m"
    moves = (
        f"{names[0]}’s {_thing(what)} {_moves(what)} by {_number(rates[0].rate, rates[0].rate)} {_unit(what)}"
    )
    other = f"{names[1]}’s by {_number(rates[1].rate, rates[1].rate)}"
    return f"For every {per}, {moves}, {_between(rates[0])}, and {other}, {_between(rates[1])}."


def rates_per_openings(own: Sequence[Rated | None], asked: Asked, use: Used) -> Rates:
    """Each door's own rate for 10,000 openings, as `asked` weighs it; None where rate or use is not told."""
    a, b = (
        _per_openings(one, weight, counted)
        for one, weight, counted in zip(own, asked.weights, use, strict=True)
    )
    return a, b


def _per_openings(own: Rated | None, weight: float, counted: CountedUse | None) -> PerOpenings | None:
    if own is None or counted is None or own.rate is None or own.low is None or own.high is None:
        return None
    half = weight * (own.high - own.low) / 2
    try:
        return per_10000(weight * own.rate, half, counted.year.total, counted.year.sd)
    except UseUnknownError:
        return None


def _counted(seen: SeenSoFar, per_openings: SeenSoFar | None, often: float, names: Names) -> str:
    """Who is opened more often, and what the two ways of counting allow to be said."""
    plain = _often(often, names)
    if seen.look is None or per_openings is None or per_openings.look is None:
        return plain
    by_year, by_openings = _more(seen.look.word), _more(per_openings.look.word)
    said = said_of_use(by_year=by_year, by_openings=by_openings, are_counted=True)
    place = 0 if (by_year or by_openings) == "a" else 1
    if said == "not_by_use":  # its own sentence begins with how often
        return of_use(said, names[place], often if place else 1 / often)
    return f"{plain} {of_use(said, names[place])}".strip()


def _often(often: float, names: Names) -> str:
    if 1 / ABOUT_AS_OFTEN < often < ABOUT_AS_OFTEN:
        return "Both are opened about as often."
    return f"{names[often > 1]} is opened {max(often, 1 / often):.1f} times as often."


def _more(word: str) -> str | None:
    return {"a_turns_more": "a", "b_turns_more": "b"}.get(word)


def _beside(seen: SeenSoFar, names: Names, what: str) -> str:
    """What is told with each door's openings in the sum beside the years, by bounds for every night."""
    beside = seen.beside
    if beside is None:
        return ""
    if beside.difference is None or beside.a is None or beside.b is None:
        return EVENLY
    each = [_goes(one, name, what) for one, name in zip((beside.a, beside.b), names, strict=True)]
    return " ".join([*each, _left(beside.difference, names, what), OF_THESE])


def _goes(told: Look, name: str, what: str) -> str:
    """Whether what one door does goes with its openings."""
    low, middle, high = told.low, told.estimate.value, told.high
    if low <= 0 <= high:
        bounds = f"{_number(low, max(-low, high))} and {_number(high, max(-low, high))} {_unit(what)}"
        none = f"At {name} nothing is told to go with its openings"
        return f"{none}: 10,000 of them move the {_thing(what)} by between {bounds}{_per(what)}."
    if high < 0:
        low, middle, high = -high, -middle, -low
    back = " back" if told.high < 0 else ""
    reach = max(low, high)
    figures = f"{_number(middle, reach)} {_unit(what)}{_per(what)}"
    moves = f"{_thing(what)} {_moves(what)}{back} by {figures} in 10,000 openings"
    return f"At {name} the {moves}, between {_number(low, reach)} and {_number(high, reach)}."


def _left(told: Look, names: Names, what: str) -> str:
    """The difference a year that openings leave."""
    is_b = told.estimate.value >= 0
    first, other = (names[1], names[0]) if is_b else names
    least, most = (told.low, told.high) if is_b else (-told.high, -told.low)
    reach = max(abs(least), abs(most))
    size = f"{_number(abs(told.estimate.value), reach)} {_unit(what)} a year"
    said = f"With that taken out, {first}’s {_thing(what)} {_moves(what)} {size} more than {other}’s"
    if least > 0:
        return f"{said}, between {_number(least, reach)} and {_number(most, reach)}."
    return f"{said}; the bounds reach from {_number(-least, reach)} less to {_number(most, reach)} more."


def _between(one: PerOpenings) -> str:
    low, high = one.rate - one.half, one.rate + one.half
    return f"between {_number(low, one.rate)} and {_number(high, one.rate)}"


def _number(value: float, reach: float) -> str:
    """Two decimals, three where all of it is under a tenth; never minus nought."""
    text = f"{abs(value):.{3 if abs(reach) < NARROW else 2}f}"
    return f"−{text}" if value < 0 and float(text) else text


def _thing(what: str) -> str:
    return "droop" if what == DROOP else "joint"


def _moves(what: str) -> str:
    return "grows" if what == DROOP else "turns"


def _unit(what: str) -> str:
    return "mm" if what == DROOP else "mrad"


def _per(what: str) -> str:
    return "" if what == DROOP else " for each 100 N·m"
