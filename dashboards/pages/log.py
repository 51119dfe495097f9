"""The log of marks: what a person did or the service noticed, newest first."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time

from dashboards.pages import dates
from dashboards.pages.facts import DoorFacts
from dashboards.pages.noticed import FoundStep
from server.doors.marks import NOTICED, Mark

KINDS = {  # a mark's kind, its drawing and its word
    "hung": ("hung", "Hung"),
    "eased": ("eased", "Eased"),
    "planed": ("eased", "Planed"),
    "hinge packed": ("packed", "Hinge packed"),
    "rehung": ("hung", "Re-hung"),
    "repaired": ("packed", "Repaired"),
    "joint repaired": ("packed", "Joint repaired"),
    "gauge-moved": ("gauge", "Gauge moved"),
    "gauge changed": ("gauge", "Gauge changed"),
    "calibrated": ("gauge", "Gauge calibrated"),
    "finish": ("finished", "Finish renewed"),
    "load-test": ("looked", "Load test"),
    "slam": ("doubt", "Slammed"),
    "rubs": ("rubs", "Rubs"),
    "looked at": ("looked", "Looked at"),
    "twin": ("doubt", "Two boxes, one name"),
    "clock-suspect": ("doubt", "Clock in doubt"),
    "power": ("doubt", "Power was away"),
    "thinned": ("looked", "Readings thinned"),
    "note": ("looked", "Noted"),
    "step": ("doubt", "A step that nobody logged"),
}


UNNAMED = ("note", "gauge-moved", "load-test", *NOTICED)
"""Their words say themselves what was done."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LogLine:
    """A line of the log."""

    when: str
    iso: str
    drawing: str
    text: str


def log_of(facts: DoorFacts, marks: Sequence[Mark], steps: Sequence[FoundStep] = ()) -> list[LogLine]:
    """Marks, the hanging, the days of the line and the steps that nobody logged, newest first."""
    told = [(dates.at_ms(mark.t_ms), mark.kind, _words(mark, facts.zone)) for mark in marks]
    if not any(mark.kind == "hung" and mark.taken_back is None for mark in marks):
        told.append((facts.door.hung, "hung", "Hung."))
    told += _line(facts)
    told += [(_noon(one.day), "step", one.said) for one in steps]
    told.sort(key=lambda one: one[0], reverse=True)
    return [_line_of(when, kind, text, facts.zone) for when, kind, text in told]


def _words(mark: Mark, zone: str) -> str:
    word, said = _drawn(mark.kind)[1], mark.text
    if not said:
        said = f"{word}."
    elif mark.kind not in UNNAMED and not said.casefold().startswith(word.casefold()):
        said = f"{word}: {said}"
    if mark.taken_back is None:
        return said
    return f"Taken back on {dates.local_date(mark.taken_back, zone)}: {said}"


def _line(facts: DoorFacts) -> list[tuple[datetime, str, str]]:
    main = facts.main
    first, last = (main.number("line_from"), main.number("line_to")) if main else (None, None)
    if main is None or first is None or last is None or main.word("line") == "none":
        return []
    start = dates.long_date(dates.day_date(int(first)))
    name = "First line drawn" if main.word("line") == "first" else "Hung line fixed"
    return [(_noon(int(last)), "hung", f"{name}, from the readings since {start}.")]


def _noon(day: int) -> datetime:
    return datetime.combine(dates.day_date(day), time(12), UTC)


def _line_of(when: datetime, kind: str, text: str, zone: str) -> LogLine:
    day = dates.local_date(when, zone)
    return LogLine(when=day, iso=when.date().isoformat(), drawing=_drawn(kind)[0], text=text)


def _drawn(kind: str) -> tuple[str, str]:
    return KINDS.get(kind, ("looked", kind.replace("_", " ").capitalize()))
