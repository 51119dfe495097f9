"""Marks: what a person did at a door, or the service noticed, on a day."""

import re
from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.doors.names import note_fault
from server.doors.tables import Door, EventMark
from server.errors import SettingsError

KINDS = (
    "hung",
    "eased",
    "planed",
    "hinge packed",
    "rehung",
    "repaired",
    "joint repaired",
    "gauge-moved",
    "gauge changed",
    "calibrated",
    "finish",
    "load-test",
    "slam",
    "rubs",
    "looked at",
    "note",
)
NAMES = re.compile(r"[\w-]+")  # what a name runs over
NOTICED = ("twin", "clock-suspect", "power", "thinned")


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A mark on a door's line."""

    t_ms: int
    kind: str
    text: str
    by: str


def add_mark(session: Session, door_id: int, *, t_ms: int, kind: str, text: str, by: str) -> Mark:
    """Put a mark on a door. Raises SettingsError for a kind or a text that cannot be used."""
    if kind not in KINDS + NOTICED:
        raise SettingsError("mark a door", f"one of {', '.join(KINDS)}", f"{kind!r:.40}")
    if text and (fault := note_fault(text)):
        raise SettingsError(f"mark a door {kind}", fault, f"{text!r:.40}")
    site_id = session.scalars(select(Door.site_id).where(Door.id == door_id)).one()
    session.add(EventMark(site_id=site_id, door_id=door_id, t_ms=t_ms, kind=kind, text=text, by=by))
    session.flush()
    return Mark(t_ms=t_ms, kind=kind, text=text, by=by)


def named_in(text: str, names: Iterable[str]) -> set[str]:
    """Which of these names stand in a mark's words, each as a word of its own."""
    words = set(NAMES.findall(text))
    return {name for name in names if name in words}


def is_of_all(text: str) -> bool:
    """Whether a mark of a check is of all gauges that measure the door: it says `all`, or nothing."""
    return not text.strip() or "all" in NAMES.findall(text.lower())


def marks_of(session: Session, door_id: int) -> list[Mark]:
    """A door's marks, oldest first."""
    rows = session.scalars(
        select(EventMark).where(EventMark.door_id == door_id).order_by(EventMark.t_ms, EventMark.id)
    )
    return [Mark(t_ms=row.t_ms, kind=row.kind, text=row.text, by=row.by) for row in rows]
