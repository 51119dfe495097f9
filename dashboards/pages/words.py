"""Sentences: numbers in, words out. What a page, the API or a figure says of a movement is made here."""

import math
from dataclasses import dataclass

NBSP = "\u00a0"
MINUS = "\u2212"
HARDLY_MM = 0.10  # under this swing of a whole year the season "hardly moves it"

STATES = {
    "open": "Joint open",
    "opening": "Joint opening",
    "taking_a_set": "Taking a set",
    "not_heard": "Not heard",
    "seasonal": "Season only",
    "settling": "First year",
    "true": "True",
}
NOT_PARTED = "Not known yet"  # of a door whose year is over: what stays is not told apart from its season
PRESSING = list(STATES)  # most pressing first
SERIES = {"droop": "Corner droop", "sag": "Turn on the hinges", "rack": "Out of square"}
ENDS = {"hinge": "hinge side", "latch": "latch side"}
HELPS = {
    "drift": "a gauge that drifts less, or one checked with a feeler each year",
    "gaps": "fewer days without a reading",
    "noise": "steadier readings: the door shut and still, the gauge’s foot tight",
}
TWO_DOORS = (
    "Two doors are two doors. Even a clear difference here says how these two went, in these two places; "
    "it does not prove a joint."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """What is shown of a movement, in hundredths that add up: total = stays + back, as printed."""

    total: float
    stays: float
    back: float


def number(value: float, places: int = 2) -> str:
    """A number as printed: `places` decimals, never "-0.00", a true minus sign.

    Raises ValueError for what is not a finite number: a page has a sentence for that, never a figure.
    """
    if not math.isfinite(value):
        raise ValueError("print a number: needs a finite one")
    text = f"{value:.{places}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def measure(value: float, unit: str, places: int = 2) -> str:
    """A number and its unit with a no-break space between."""
    return f"{number(value, places)}{NBSP}{unit}"


def split(now: float, stays: float) -> Split:
    """Parts that add up as shown: total and what stays are rounded, what comes back is their difference."""
    total, kept = round(now, 2) + 0.0, round(stays, 2) + 0.0
    return Split(total=total, stays=kept, back=round(total - kept, 2) + 0.0)


def where(
    total: float, *, subject: str = "The latch-side corner", line: str = "its hung line", past: bool = False
) -> str:
    """Where the door is against its line, in one clause."""
    if number(abs(total)) == number(0):
        return f"{subject} {'was' if past else 'is'} at {line}"
    verbs = ("hung", "stood") if past else ("hangs", "stands")
    side = verbs[0] if total > 0 else verbs[1]
    way = "below" if total > 0 else "above"
    return f"{subject} {side} {measure(abs(total), 'mm')} {way} {line}"


def lead(shown: Split, *, swing_mm: float | None, subject: str = "The latch-side corner") -> str:
    """The split in two sentences. A season that lifts the door is said so, never as a negative."""
    first = where(shown.total, subject=subject)
    if swing_mm is not None and swing_mm < HARDLY_MM:
        return f"{first}. {_all_stays(shown)}"
    if shown.stays >= 0 and shown.back >= 0 and shown.total > 0:
        kept, back = measure(shown.stays, "mm"), measure(shown.back, "mm")
        return f"{first}. {kept} of that stays; {back} comes back when the wood dries."
    return f"{first}. {_stays(shown.stays)}; {_season(shown.back)}."


def parts(shown: Split) -> str:
    """The split as a clause for the pencilled line and the list of doors."""
    kept = (
        f"{number(shown.stays)} stays"
        if shown.stays >= 0
        else f"what stays is {number(-shown.stays)} upwards"
    )
    if shown.back >= 0:
        return f"{kept}, {number(shown.back)} comes back"
    return f"{kept}, the season lifts it {number(-shown.back)}"


def short(shown: Split) -> str:
    """The split for a row of the list of doors."""
    if shown.total > 0 and shown.back >= 0 and shown.stays >= 0:
        return f"{measure(shown.total, 'mm')} down, {number(shown.stays)} of it stays"
    way = "down" if shown.total >= 0 else "up"
    return f"{measure(abs(shown.total), 'mm')} {way}; {parts(shown)}"


def growth(rate: float, low: float, high: float, *, unit: str = "mm", what: str = "What stays") -> str:
    """The rate with its interval in one sentence; one that holds none is no growth that can be told."""
    if low > 0:
        return f"{what} grows by {measure(rate, unit)} a year, between {number(low)} and {number(high)}."
    if high < 0:
        return (
            f"{what} goes back by {measure(-rate, unit)} a year, between {number(-high)} and {number(-low)}."
        )
    return f"{what} has not grown by anything we can tell: {bounds(low, high, unit=unit)}."


def bounds(low: float, high: float, *, unit: str = "mm") -> str:
    """An interval that holds none, in words."""
    less, more = number(-low), number(high)
    nothing = number(0)
    if less == nothing and more == nothing:
        return f"within {measure(0.01, unit)} a year"
    if less == nothing:
        return f"between none and {measure(high, unit)} a year more"
    if more == nothing:
        return f"between {measure(-low, unit)} a year less and none"
    return f"between {measure(-low, unit)} a year less and {more} more"


def growth_short(rate: float, low: float, high: float, *, unit: str = "mm") -> str:
    """The rate for a table's cell or a row."""
    if low > 0:
        return f"{measure(rate, unit)} a year, between {number(low)} and {number(high)}"
    if high < 0:
        return f"{measure(-rate, unit)} a year back, between {number(-high)} and {number(-low)}"
    return "None we can tell"


def so_far(sentence: str) -> str:
    """A provisional sentence: two seasons are few."""
    return f"So far: {sentence[0].lower()}{sentence[1:]} Two seasons are few; the bounds may move."


def not_known(
    kind: str, *, help_key: str | None = None, reason: str = "", half_width: str | None = None
) -> str:
    """Why no rate is said, and what would change it; `kind` is `season`, `wide` or any other."""
    if kind == "season":
        return (
            "Not known yet: in what has been heard, the season and the years ran together. "
            "One more dry season parts them."
        )
    if kind == "kit":
        why = reason.partition(" (sd ")[0].strip().rstrip(".")
        return f"Not said: {why or 'these gauges can’t tell it apart from other movements'}."
    if kind == "wide":
        helps = HELPS.get(help_key or "", "more years")
        wide = half_width or f"0.10{NBSP}mm"
        said = f"Not known yet: the readings leave it anywhere within {wide} a year or more."
        return f"{said} What would help: {helps}."
    why = reason.strip().rstrip(".")
    return f"Not known yet: {why}." if why else "Not known yet: too little has been heard."


def first_word(month: str | None) -> str:
    """When the first word about what stays can come."""
    return f"First word about {month}." if month else "The first word comes when a year has been heard."


def series(key: str) -> str:
    """A series by its name: `turn:lock-hinge` gives "Lock rail, hinge side: turn"."""
    kind, _, name = key.partition(":")
    if kind in ("turn", "opening"):
        return f"{place(name)}: {'turn' if kind == 'turn' else 'mean opening'}"
    if kind in ("gap", "gauge"):
        return f"{'Gap' if kind == 'gap' else 'At the gauge'} {name}"
    return SERIES.get(kind, sentence(kind))


def between(low: float, high: float, unit: str, *, ways: tuple[str, str]) -> str:
    """An interval of what stays, never with a sign: `ways` are its directions, the good one first."""
    less, more = ways
    if number(low) == number(0):
        low = 0.0
    if low >= 0:
        return f"{number(low)} to {measure(high, unit)}"
    if number(high) == number(0) or high < 0:
        return f"{number(abs(high))} to {measure(-low, unit)} {less}"
    return f"{measure(-low, unit)} {less} to {measure(high, unit)} {more}"


def first_word_after(day: int | None, today: int, month: str | None) -> str:
    """When the first word can come, a day that is past being no promise."""
    if day is not None and day <= today:
        return "The first word takes a year of readings, and readings on half of its days."
    return first_word(month)


def place(joint: str) -> str:
    """A joint's place: `lock-hinge` gives "Lock rail, hinge side"."""
    rail, _, end = joint.rpartition("-")
    return f"{rail[:1].upper()}{rail[1:].replace('-', ' ')} rail, {ENDS.get(end, end)}"


def count(value: int, one: str, many: str) -> str:
    """A small count in words: "One door", "Two doors", "14 doors"."""
    names = [
        "No",
        "One",
        "Two",
        "Three",
        "Four",
        "Five",
        "Six",
        "Seven",
        "Eight",
        "Nine",
        "Ten",
        "Eleven",
        "Twelve",
    ]
    word = names[value] if value < len(names) else str(value)
    return f"{word} {one if value == 1 else many}"


def isolated(name: str) -> str:
    """A name kept apart from the words round it where no markup can be (titles, labels, drawings)."""
    return f"\u2068{name}\u2069"


def sentence(text: str) -> str:
    """The same words beginning with a capital."""
    return text[:1].upper() + text[1:]


def _all_stays(shown: Split) -> str:
    if number(abs(shown.back)) == number(0):
        whole = (
            "All of it stays" if number(abs(shown.total)) != number(0) else "Nothing stays that we can tell"
        )
        return f"{whole}; the season hardly moves it."
    back, way = measure(abs(shown.back), "mm"), "lowered" if shown.back > 0 else "lifted"
    since = f"the damp in its wood has {way} it {back} since it was hung"
    return f"{_stays(shown.stays)}; {since}, and within a year hardly moves it."


def _stays(stays: float) -> str:
    if stays >= 0:
        return f"What stays is {measure(stays, 'mm')}"
    return f"What stays is {measure(-stays, 'mm')} upwards"


def _season(back: float) -> str:
    if back < 0:
        return f"the dry season lifts it {measure(-back, 'mm')} just now"
    return f"{measure(back, 'mm')} comes back when the wood dries"
