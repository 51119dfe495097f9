"""A door's marks as the fold takes them: what was done, to which joint or gauge, seen by which night."""

from datetime import UTC, datetime

from sqlalchemy.orm import Session

from server.alerts.marking import COUNTED_ANEW, GAUGE, JOINT, Mark, night_of
from server.alerts.words import place
from server.doors.built import BuiltDoor
from server.doors.marks import marks_of
from server.doors.register import DoorHung


def marks_before(session: Session, door: DoorHung, slot: str) -> tuple[Mark, ...]:
    """The marks of a door that some night up to `slot` has seen, oldest first.

    A mark on joints or gauges counts anew those that its words name: none named, none of them.
    """
    marks = [
        Mark(
            kind=mark.kind,
            about=about,
            night=night_of(datetime.fromtimestamp(mark.t_ms / 1000, UTC).date()),
            words=mark.text or None,
            by=mark.by,
        )
        for mark in marks_of(session, door.id)
        if mark.kind in COUNTED_ANEW
        for about in _abouts(door, mark.kind, mark.text)
    ]
    return tuple(mark for mark in marks if mark.night <= slot)


def _abouts(door: DoorHung, kind: str, text: str) -> list[str]:
    topics, said = COUNTED_ANEW[kind], text.lower()
    if GAUGE in topics:
        named = sorted({gauge.channel for gauge in door.built.gauges if gauge.channel in said})
        return [f"{door.built.node}/{channel}" for channel in named]
    joints = _joints(door.built) if JOINT in topics else []
    named = [joint for joint in joints if joint in said or place(joint) in said]
    return [f"{door.name}/{joint}" for joint in named] or [door.name]


def _joints(built: BuiltDoor) -> list[str]:
    return [f"{rail.name}-{end}" for rail in built.rails for end in ("hinge", "latch")]
