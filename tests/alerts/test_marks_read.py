"""A door's marks as the fold takes them."""

from datetime import UTC, datetime

import pytest
from sqlalchemy.orm import Session

from server.alerts.marks_read import marks_before
from server.doors.marks import add_mark
from tests.inspection.doors import Truth, one_joint
from tests.inspection.stored import stored_door

MARKED = datetime(2027, 3, 1, 15, tzinfo=UTC)


@pytest.mark.parametrize(
    ("kind", "text", "about"),
    [
        ("planed", "Eased 0.8 mm off the head", ["north"]),
        ("rehung", "", ["north"]),
        ("repaired", "Reglued lock-hinge", ["north/lock-hinge"]),
        ("repaired", "Reglued the Lock rail, hinge side", ["north/lock-hinge"]),
        ("repaired", "Reglued", ["north"]),
        ("gauge-moved", "lock-hinge-top has a new foot", ["north/lock-hinge-top"]),
        ("gauge-moved", "one of them", []),
        ("finish", "Oiled", []),
        ("note", "lock-hinge looked at", []),
    ],
)
def test_what_a_mark_is_about(session: Session, kind: str, text: str, about: list[str]) -> None:
    door = stored_door(session, Truth(years=0.0), one_joint())
    add_mark(session, door.id, t_ms=int(MARKED.timestamp() * 1000), kind=kind, text=text, by="maker")
    assert marks_before(session, door, "2027-03-01") == ()
    marks = marks_before(session, door, "2027-03-02")
    assert [(mark.about, mark.night, mark.kind) for mark in marks] == [
        (one, "2027-03-02", kind) for one in about
    ]
