"""Marks: put on a door by a person, and read in the order of their days."""

from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from server.doors.marks import LOAD_TEST, Mark, add_mark, marks_of, take_back
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


def test_a_mark_taken_back_is_left_out_and_stays_to_be_read(
    session: Session, clock: HandClock, door_id: int
) -> None:
    mistake = add_mark(session, door_id, t_ms=clock.ms(), kind="eased", text="", by="A. Ames")
    kept = add_mark(session, door_id, t_ms=clock.ms(), kind="slam", text="", by="A. Ames")
    assert take_back(session, door_id, mistake.number, now=clock()).taken_back == clock()
    assert marks_of(session, door_id) == [kept]
    both = [(one.kind, one.taken_back) for one in marks_of(session, door_id, with_taken_back=True)]
    assert both == [("eased", clock()), ("slam", None)]


@pytest.mark.parametrize(("kind", "by"), [("thinned", "service"), ("load-test", LOAD_TEST)])
def test_a_mark_that_no_person_made_is_not_taken_back(
    session: Session, clock: HandClock, door_id: int, kind: str, by: str
) -> None:
    made = add_mark(session, door_id, t_ms=clock.ms(), kind=kind, text="", by=by)
    with refuses(SettingsError, asked="take back a mark", needed="a person", came=by):
        take_back(session, door_id, made.number, now=clock())


def test_another_doors_mark_is_not_taken_back(session: Session, clock: HandClock, door_id: int) -> None:
    made = add_mark(session, door_id, t_ms=clock.ms(), kind="eased", text="", by="A. Ames")
    with refuses(SettingsError, asked="take back a mark", needed="--list", came=str(made.number)):
        take_back(session, door_id + 1, made.number, now=clock())
