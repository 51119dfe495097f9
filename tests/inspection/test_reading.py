"""What a look reads from the store."""

from datetime import UTC, datetime

import numpy as np
from sqlalchemy.orm import Session

from server.doors.marks import add_mark, take_back
from server.inspection.reading import gather
from tests.inspection.doors import HUNG_DAY, Truth, made_inputs, one_joint
from tests.inspection.stored import DAY_MS, stored_door

TRUTH = Truth(years=0.2, first_day=5)


def test_days_come_back_as_they_were_stored(session: Session) -> None:
    door = stored_door(session, TRUTH, one_joint())
    wanted, found = made_inputs(TRUTH, one_joint()), gather(session, door, HUNG_DAY + 400)
    assert (found.hung_day, found.day.tolist()) == (HUNG_DAY, wanted.day.tolist())
    assert set(found.gauges) == set(wanted.gauges)
    for name, days in wanted.gauges.items():
        np.testing.assert_array_equal(found.gauges[name].median, days.median)
        np.testing.assert_array_equal(found.gauges[name].n, days.n)
    np.testing.assert_array_equal(found.temp_c, wanted.temp_c)
    np.testing.assert_array_equal(found.rh_pct, wanted.rh_pct)


def test_a_night_reads_the_days_that_had_ended(session: Session) -> None:
    door = stored_door(session, TRUTH, one_joint())
    add_mark(session, door.id, t_ms=(HUNG_DAY + 30) * DAY_MS, kind="planed", text="Eased.", by="maker")
    early, late = gather(session, door, HUNG_DAY + 30), gather(session, door, HUNG_DAY + 31)
    assert (early.day[-1], late.day[-1]) == (29, 30)
    assert (len(early.marks), len(late.marks)) == (0, 1)


def test_a_mark_that_was_taken_back_is_not_read(session: Session) -> None:
    door = stored_door(session, TRUTH, one_joint())
    made = add_mark(session, door.id, t_ms=(HUNG_DAY + 30) * DAY_MS, kind="planed", text="", by="maker")
    take_back(session, door.id, made.number, now=datetime(2027, 1, 1, tzinfo=UTC))
    assert gather(session, door, HUNG_DAY + 31).marks == ()


def test_a_door_never_heard(session: Session) -> None:
    door = stored_door(session, Truth(years=0.0), one_joint())
    found = gather(session, door, HUNG_DAY + 30)
    assert found.day.size == 0
    assert all(days.median.size == 0 for days in found.gauges.values())
