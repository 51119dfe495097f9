"""Marks: what a person did at a door, or the service noticed, on a day."""

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.doors.names import note_fault
from server.doors.tables import Door, DoorVersionRow, EventMark
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
LOAD_TEST = "load test"
"""By which a load test puts its mark."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A mark on a door's line. `number`: by which it is named; `taken_back`: when, None while it stands."""

    t_ms: int
    kind: str
    text: str
    by: str
    number: int = field(default=0, compare=False)
    taken_back: datetime | None = None


def add_mark(session: Session, door_id: int, *, t_ms: int, kind: str, text: str, by: str) -> Mark:
    """Put a mark on a door. Raises SettingsError for a kind or a text that cannot be used."""
    if kind not in KINDS + NOTICED:
        raise SettingsError("mark a door", f"one of {', '.join(KINDS)}", f"{kind!r:.40}")
    if text and (fault := note_fault(text)):
        raise SettingsError(f"mark a door {kind}", fault, f"{text!r:.40}")
    site_id = session.scalars(select(Door.site_id).where(Door.id == door_id)).one()
    row = EventMark(site_id=site_id, door_id=door_id, t_ms=t_ms, kind=kind, text=text, by=by)
    session.add(row)
    session.flush()
    return _mark(row)


def take_back(session: Session, door_id: int, number: int, *, now: datetime) -> Mark:
    """Take back a mark that a person put on a door: it stays to be read, and nothing rests on it any more.

    Raises SettingsError for a number that no mark of the door has, and for a mark that is not of itself: what
    the service noticed, a change of the door, a load test.
    """
    asked = "take back a mark"
    row = session.get(EventMark, number)
    if row is None or row.door_id != door_id:
        raise SettingsError(asked, "a number of hangtrue mark DOOR --list", str(number))
    if row.taken_back is not None:
        raise SettingsError(asked, "one that stands", f"{number}, taken back on {row.taken_back:%Y-%m-%d}")
    if row.kind in NOTICED or row.by == LOAD_TEST:
        raise SettingsError(asked, "one that a person made with hangtrue mark", f"{number}, by {row.by}")
    changed = (DoorVersionRow.from_ms == row.t_ms) & (DoorVersionRow.because == row.kind)
    if session.scalar(select(DoorVersionRow.id).where(DoorVersionRow.door_id == door_id, changed).limit(1)):
        needed = "one that came alone; a change of the door is put right by hangtrue door change on its day"
        raise SettingsError(asked, needed, f"{number}, {row.kind}")
    row.taken_back = now
    session.flush()
    return _mark(row)


def named_in(text: str, names: Iterable[str]) -> set[str]:
    """Which of these names stand in a mark's words, each as a word of its own."""
    words = set(NAMES.findall(text))
    return {name for name in names if name in words}


def is_of_all(text: str) -> bool:
    """Whether a mark of a check is of all gauges that measure the door: it says `all`, or nothing."""
    return not text.strip() or "all" in NAMES.findall(text.lower())


def marks_of(session: Session, door_id: int, *, with_taken_back: bool = False) -> list[Mark]:
    """A door's marks, oldest first; those that were taken back for the eye alone."""
    query = select(EventMark).where(EventMark.door_id == door_id).order_by(EventMark.t_ms, EventMark.id)
    if not with_taken_back:
        query = query.where(EventMark.taken_back.is_(None))
    return [_mark(row) for row in session.scalars(query)]


def _mark(row: EventMark) -> Mark:
    return Mark(
        t_ms=row.t_ms,
        kind=row.kind,
        text=row.text,
        by=row.by,
        number=row.id,
        taken_back=row.taken_back,
    )
