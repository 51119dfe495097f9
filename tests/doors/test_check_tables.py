"""What was felt stays as it was kept: the database itself refuses a change of it."""

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.orm import Session

from server.doors.check_tables import FeelerCheckRow
from tests.fakes.clock import HandClock
from tests.inspection.doors import Truth, one_joint
from tests.inspection.stored import stored_door

COLUMNS = "door_id, gauge, t_ms, first_mm, second_mm, third_mm, step_mm, enters, by, added"


@pytest.fixture
def kept(session: Session, clock: HandClock) -> FeelerCheckRow:
    """One check of a door that is hung."""
    door = stored_door(session, Truth(years=0.0), one_joint())
    felt = {"first_mm": 0.35, "second_mm": 0.35, "third_mm": 0.3, "step_mm": 0.05, "enters": True}
    row = FeelerCheckRow(
        door_id=door.id, gauge="lock-hinge-top", t_ms=clock.ms(), by="Anna", added=clock(), **felt
    )
    session.add(row)
    session.commit()
    return row


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE feeler_check SET first_mm = 0.5",
        "UPDATE feeler_check SET by = 'nobody'",
        "DELETE FROM feeler_check",
        f"INSERT OR REPLACE INTO feeler_check (id, {COLUMNS}) SELECT id, {COLUMNS} FROM feeler_check",  # noqa: S608  # names of our own
        "TRUNCATE feeler_check",
    ],
)
def test_it_is_inserted_to_alone(session: Session, kept: FeelerCheckRow, change: str) -> None:
    only = {"INSERT OR": "sqlite", "TRUNCATE ": "postgresql"}.get(change[:9])
    if only not in (None, session.get_bind().dialect.name):
        pytest.skip("the other database has no such word")
    with pytest.raises(DBAPIError, match="inserted to alone"):
        session.execute(text(change))
    session.rollback()
    assert session.execute(text("SELECT first_mm, by FROM feeler_check")).all() == [(0.35, "Anna")]
    assert kept.id == 1


def test_a_gap_of_nothing_is_refused(session: Session, kept: FeelerCheckRow, clock: HandClock) -> None:
    felt = {"first_mm": 0.35, "second_mm": 0.0, "third_mm": 0.3, "step_mm": 0.05, "enters": True}
    session.add(FeelerCheckRow(door_id=kept.door_id, gauge="x", t_ms=1, by="Anna", added=clock(), **felt))
    with pytest.raises(IntegrityError, match="felt"):
        session.flush()
