"""How much room a leaf has now, counted from the line of the door as it stands."""

from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from server.doors.margins import margin_as_hung
from server.inspection.room import room_in, room_of
from tests.inspection.changed import changed, jumped
from tests.inspection.doors import HUNG, Truth, hung, made_inputs, one_gauge
from tests.inspection.stored import stored_door

TRUTH = Truth(years=0.5, droop_mm_per_year=1.2)


def test_from_the_store_as_from_its_days(session: Session) -> None:
    door = stored_door(session, TRUTH)
    inputs = made_inputs(TRUTH)
    stored = room_of(session, door, now=HUNG + timedelta(days=int(inputs.day[-1])))
    by_days = room_in(inputs)
    assert stored is not None
    assert by_days is not None
    assert stored.least_mm == pytest.approx(by_days.least_mm, abs=1e-9)
    assert stored.least_mm < margin_as_hung(door.built).least_mm


def test_after_a_rehang_the_gaps_of_that_day_count() -> None:
    built = hung().built
    wide = replace(built, opening=replace(built.opening, gap_hinge_mm=4.0, gap_head_mm=6.0, gap_latch_mm=5.0))
    door = changed(hung(), 100, "rehung", built=wide)
    still = Truth(years=0.5)
    inputs = jumped(made_inputs(still, replace(door, built=built)), 100, {"latch-top": 2.0}, because="rehung")
    found = room_in(replace(inputs, door=door))
    assert found is not None
    assert found.least_mm == pytest.approx(4.0, abs=0.4)


def test_gauges_that_cannot_tell_give_none() -> None:
    assert room_in(made_inputs(TRUTH, one_gauge())) is None
    inputs = made_inputs(TRUTH)
    assert room_in(replace(inputs, day=inputs.day[:0])) is None
