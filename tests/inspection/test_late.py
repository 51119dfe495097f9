"""Which days are not as the looks had them: what came late, what moved, and what no figure shows."""

from dataclasses import replace

import numpy as np
import pytest
from sqlalchemy.orm import Session

from server.inspection.cutting import as_of
from server.inspection.late import Looked, days_of, first_changed, keep_looked, looked_of
from server.inspection.values import DoorInputs, GaugeDays
from tests.inspection.doors import HUNG_DAY, Truth, made_inputs, missing, one_joint
from tests.inspection.stored import stored_door

TOP = "lock-hinge-top"
DAYS = as_of(made_inputs(Truth(years=0.3), one_joint()), HUNG_DAY + 100)


def moved(day: int, mm: float) -> DoorInputs:
    median = DAYS.gauges[TOP].median + np.where(DAYS.day == day, mm, 0.0)
    return replace(DAYS, gauges={**DAYS.gauges, TOP: GaugeDays(median=median, n=DAYS.gauges[TOP].n)})


def test_the_same_days_are_not_changed() -> None:
    assert first_changed(days_of(DAYS), DAYS, 100) is None


@pytest.mark.parametrize(("mm", "changed"), [(0.05, 40), (-0.05, 40), (0.0005, 40), (0.0001, None)])
def test_a_day_that_moved_by_a_share_of_its_gauges_own_doubt(mm: float, changed: int | None) -> None:
    assert first_changed(days_of(DAYS), moved(40, mm), 100) == changed


def test_days_that_came_and_days_that_went() -> None:
    heard = missing(DAYS, 60, 70, gauges=(TOP,))
    assert first_changed(days_of(heard), DAYS, 100) == 60
    assert first_changed(days_of(DAYS), heard, 100) == 60


def test_air_that_came_late() -> None:
    unknown = replace(DAYS, rh_pct=np.where(DAYS.day == 33, np.nan, DAYS.rh_pct))
    assert first_changed(days_of(unknown), DAYS, 100) == 33


def test_days_at_the_end_count_once_a_night_has_rested_on_them() -> None:
    """Nothing had been heard of the last ten days; nights had been looked at until the 96th day."""
    heard = as_of(missing(DAYS, 90, 100), HUNG_DAY + 96)
    assert first_changed(days_of(heard), DAYS, 96) == 90
    assert first_changed(days_of(heard), DAYS, 90) is None


def test_a_gauge_that_was_set_later_changes_no_day_before_it() -> None:
    before = {name: GaugeDays(median=one.median, n=one.n) for name, one in DAYS.gauges.items() if name != TOP}
    later = missing(DAYS, 0, 80, gauges=(TOP,))
    assert first_changed(days_of(replace(DAYS, gauges=before)), later, 100) == 80


def test_kept_days_are_read_as_they_were_put(session: Session) -> None:
    door = stored_door(session, Truth(years=0.0), one_joint())
    assert looked_of(session, door.id) is None
    for stale_day in (None, 7):
        keep_looked(session, door.id, Looked(values=days_of(DAYS), stale_day=stale_day))
        found = looked_of(session, door.id)
        assert found is not None
        assert found.stale_day == stale_day
        assert first_changed(found.values, DAYS, 100) is None
        assert first_changed(found.values, moved(40, 0.05), 100) == 40
