"""Dates of reaching a limit: earliest first, then the range, and the caution that goes with every date."""

from dataclasses import dataclass

from dashboards.pages import dates, words
from dashboards.pages.facts import DoorFacts, Spent
from dashboards.pages.movement import Ahead, Movement

CAUTION = (
    "A date says how a gauge moved, not that a door is safe, and never that it is safe until then. "
    "Fire, escape and exit doors, load tests and repairs are for those licensed for them."
)
UNDATED = "No date yet: it has begun to run away, and how long it has is not known."
STAYS_ALONE = "That counts what stays alone: a damp season brings the leaf to the frame sooner."


@dataclass(frozen=True, slots=True, kw_only=True)
class DateSaid:
    """A date of a series that stands on no bar: its name and its sentence."""

    what: str
    said: str


def date_words(ahead: Ahead, *, today: int, is_turn: bool) -> str:
    """When a limit may be reached; of a turn the earliest day alone."""
    first, last = ahead.earliest, None if is_turn else ahead.latest
    if first <= today:
        start, then = "It may be at its limit any day now", "how long it still has is not known"
        return f"{start}; {then}." if last is None else f"{start}; by {_by(last, first)}, if it goes on so."
    start = f"Not before {_from(first, last)}"
    if last is None:
        return f"{start}; how long after is not known yet."
    return f"{start}; between then and {_by(last, first)}, if it goes on so."


def alarmed_words(one: Movement, *, today: int) -> str | None:
    """What is said of the time that is left to a series under an alarm; None without one."""
    if not one.is_alarmed:
        return None
    if one.ahead is None:
        return UNDATED
    return date_words(one.ahead, today=today, is_turn=one.key.startswith("turn:"))


def bar_date(spent: Spent, *, today: int) -> str | None:
    """The date beneath a bar; the leaf's says that a damp season comes sooner. None without an alarm."""
    said = alarmed_words(spent.movement, today=today)
    counts_season = spent.season is not None and spent.movement.ahead is not None
    return f"{said} {STAYS_ALONE}" if said and counts_season else said


def others(facts: DoorFacts) -> list[DateSaid]:
    """Dates of series under an alarm that stand on neither bar, joints by place."""
    on_bars = {one.movement.key for one in (facts.leaf, facts.worst) if one}
    moves = [facts.main, *(one for joint in facts.joints for one in (joint.turn, joint.opening))]
    today = dates.day_number(facts.now)
    found = []
    for one in moves:
        said = None if one is None or one.key in on_bars else alarmed_words(one, today=today)
        if one is not None and said:
            found.append(DateSaid(what=words.series(one.key), said=said))
    return found


def has_date(facts: DoorFacts) -> bool:
    """Whether any date is given on the page, so that the caution must stand there."""
    moves = [facts.main, *(one for joint in facts.joints for one in (joint.turn, joint.opening))]
    return any(one is not None and one.ahead is not None for one in moves)


def _is_one_month(first: int, last: int | None) -> bool:
    return last is not None and dates.month(dates.day_date(first)) == dates.month(dates.day_date(last))


def _from(first: int, last: int | None) -> str:
    day = dates.day_date(first)
    return dates.long_date(day) if _is_one_month(first, last) else dates.month(day)


def _by(last: int, first: int) -> str:
    day = dates.day_date(last)
    return dates.long_date(day) if _is_one_month(first, last) else dates.month(day)
