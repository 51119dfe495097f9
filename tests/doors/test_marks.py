"""Marks: put on a door by a person, and read in the order of their days."""

from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from server.doors.marks import Mark, add_mark, marks_of
from server.doors.register import add_door, enrol_node
from server.errors import SettingsError
from tests.doors.test_register import built
from tests.fakes.clock import HandClock
from tests.refusals import refuses


@pytest.fixture
def door_id(session: Session, clock: HandClock) -> int:
    enrol_node(session, "saltmarsh-yard", "north", kind="tracked", zone="Europe/London", now=clock())
    return add_door(session, built(), now=clock()).id


def test_marks_come_oldest_first(session: Session, clock: HandClock, door_id: int) -> None:
    now = clock.ms()
    add_mark(session, door_id, t_ms=now, kind="planed", text="latch edge\n0.5 mm", by="A. Ames")
    before = now - int(timedelta(days=3).total_seconds()) * 1000
    add_mark(session, door_id, t_ms=before, kind="note", text="", by="A. Ames")
    assert marks_of(session, door_id) == [
        Mark(t_ms=before, kind="note", text="", by="A. Ames"),
        Mark(t_ms=now, kind="planed", text="latch edge\n0.5 mm", by="A. Ames"),
    ]


def test_another_door_has_marks_of_its_own(session: Session, clock: HandClock, door_id: int) -> None:
    add_mark(session, door_id, t_ms=clock.ms(), kind="planed", text="", by="A. Ames")
    assert marks_of(session, door_id + 1) == []


@pytest.mark.parametrize(
    ("kind", "text", "needed"), [("painted", "", "eased, planed"), ("note", "a\u202eb", "without U+202E")]
)
def test_a_mark_that_cannot_be_is_refused(
    session: Session, clock: HandClock, door_id: int, kind: str, text: str, needed: str
) -> None:
    with refuses(SettingsError, asked="mark a door", needed=needed, came="'"):
        add_mark(session, door_id, t_ms=clock.ms(), kind=kind, text=text, by="A. Ames")
