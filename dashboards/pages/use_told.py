"""How a door is used, in one line: how often it is opened, and its hardest slam."""

from flask import current_app

from dashboards.pages import dates, words
from dashboards.pages.facts import DoorFacts
from server.database import Session
from server.inspection import results
from server.inspection.use import UseSeen, use_seen

NAME, YEAR_DAYS, MOST_KEPT = "hangtrue-use", 365, 256
Key = tuple[int, object]


def use_line(session: Session, facts: DoorFacts) -> str:
    """The line about the last year; empty for a door with neither counter nor meter.

    It is read once for each look at the door: a year of readings is long.
    """
    kept: dict[Key, str] = current_app.extensions.setdefault(NAME, {})
    last = results.last_look(session, facts.door.id)
    key = (facts.door.id, None if last is None else last.looked)
    if key not in kept:
        today = dates.day_number(facts.now)
        seen = use_seen(session, facts.door, today - YEAR_DAYS, today)
        while len(kept) >= MOST_KEPT:
            kept.pop(next(iter(kept)))
        kept[key] = "" if seen is None else use_words(seen)
    return kept[key]


def use_words(seen: UseSeen) -> str:
    """The use of a year in a sentence or two."""
    said = []
    if seen.openings_a_day is not None:
        least = "at least " if seen.is_at_least else ""
        often = words.number(seen.openings_a_day, 0)
        said.append(f"Opened {least}about {often} {'time' if often == '1' else 'times'} a day.")
    if seen.bouncing_days:
        days = f"{seen.bouncing_days} {'day' if seen.bouncing_days == 1 else 'days'}"
        said.append(f"On {days} over 5000 were counted: the counter bounces, or the door bangs in a gale.")
    if seen.hardest_m_s2 is not None and seen.hardest_day is not None:
        day = dates.long_date(dates.day_date(seen.hardest_day))
        peak = words.measure(seen.hardest_m_s2, "m/s²", 1)
        said.append(f"Its hardest slam of the year was on {day}, {peak}.")
    return " ".join(said)
