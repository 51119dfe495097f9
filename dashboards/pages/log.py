"""The log of marks: what a person did or the service noticed, newest first."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time

from dashboards.pages import dates
from dashboards.pages.facts import DoorFacts
from server.doors.marks import Mark

KINDS = {  # a mark's kind, its drawing and its word
    "hung": ("hung", "Hung"),
    "planed": ("eased", "Planed"),
    "rehung": ("hung", "Re-hung"),
    "repaired": ("packed", "Repaired"),
    "gauge-moved": ("gauge", "Gauge moved"),
    "calibrated": ("gauge", "Gauge calibrated"),
    "finish": ("finished", "Finish renewed"),
    "load-test": ("looked", "Load test"),
    "slam": ("doubt", "Slammed"),
    "twin": ("doubt", "Two boxes, one name"),
    "clock-suspect": ("doubt", "Clock in doubt"),
    "power": ("doubt", "Power was away"),
    "thinned": ("looked", "Readings thinned"),
    "note": ("looked", "Noted"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LogLine:
    """A line of the log."""

    when: str
    iso: str
    drawing: str
    text: str


def log_of(facts: DoorFacts, marks: Sequence[Mark]) -> list[LogLine]:
    """Marks, the hanging and the days of the line, newest first."""
    told = [(dates.at_ms(mark.t_ms), mark.kind, mark.text) for mark in marks]
    if not any(kind == "hung" for _, kind, _ in told):
        told.append((facts.door.hung, "hung", "Hung."))
    told += _line(facts)
    told.sort(key=lambda one: one[0], reverse=True)
    return [_line_of(when, kind, text, facts.zone) for when, kind, text in told]


def _line(facts: DoorFacts) -> list[tuple[datetime, str, str]]:
    main = facts.main
    first, last = (main.number("line_from"), main.number("line_to")) if main else (None, None)
    if main is None or first is None or last is None or main.word("line") == "none":
        return []
    day = datetime.combine(dates.day_date(int(last)), time(12), UTC)
    start = dates.long_date(dates.day_date(int(first)))
    name = "First line drawn" if main.word("line") == "first" else "Hung line fixed"
    return [(day, "hung", f"{name}, from the readings since {start}.")]


def _line_of(when: datetime, kind: str, text: str, zone: str) -> LogLine:
    drawing, word = KINDS.get(kind, ("looked", kind.replace("_", " ").capitalize()))
    day = dates.local_date(when, zone)
    return LogLine(when=day, iso=when.date().isoformat(), drawing=drawing, text=text or f"{word}.")
