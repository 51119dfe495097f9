"""Two doors' series laid beside one another."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from server.inspection.paired import DoorSeries, door_series, pair_days, rate_days
from server.trend.trial_pairs import Scaling
from tests.inspection.doors import HUNG_DAY, Truth, made_inputs, one_joint

KEY = "turn:lock-hinge"


def series(name: str = "north", *, years: float = 1.2, hung_later: int = 0) -> DoorSeries:
    door = one_joint(name)
    inputs = made_inputs(Truth(years=years, turn_mrad_per_year=0.1), door)
    moved = replace(door, hung=door.hung + timedelta(days=hung_later))
    return door_series(replace(inputs, door=moved, hung_day=inputs.hung_day + hung_later), {})


NORTH, SOUTH = series(), series("south")


def test_a_door_never_heard_has_no_series() -> None:
    inputs = made_inputs(Truth(years=0.5), one_joint())
    assert door_series(replace(inputs, day=np.zeros(0, np.int64)), {}).series == {}


def test_both_are_cut_where_the_comparison_begins() -> None:
    days = pair_days(NORTH, SOUTH, (KEY, KEY), from_day=HUNG_DAY + 100)
    assert days is not None
    assert (int(days.a.day[0]), int(days.b.day[0]), days.later_days) == (100, 100, 0)
    assert days.a.value.size == days.a.temp_c.size == days.a.day.size


def test_a_door_hung_later_keeps_its_own_days() -> None:
    days = pair_days(NORTH, series("south", hung_later=40), (KEY, KEY), from_day=HUNG_DAY + 100)
    assert days is not None
    assert (int(days.a.day[0]), int(days.b.day[0]), days.later_days) == (100, 60, 40)


def test_series_and_drift_are_brought_to_one_size() -> None:
    plain = pair_days(NORTH, SOUTH, (KEY, KEY))
    sized = pair_days(NORTH, SOUTH, (KEY, KEY), scaling=Scaling(a=0.5, b=2.0, after=1.0))
    assert plain is not None
    assert sized is not None
    assert sized.a.value == pytest.approx(0.5 * plain.a.value, nan_ok=True)
    assert sized.b.value == pytest.approx(2.0 * plain.b.value, nan_ok=True)
    drifts = [one.drift_per_year for one in plain.facts]
    assert [one.drift_per_year for one in sized.facts] == pytest.approx([0.5 * drifts[0], 2.0 * drifts[1]])


@pytest.mark.parametrize("keys", [("droop", KEY), (KEY, "droop")])
def test_a_series_that_one_does_not_have_is_not_compared(keys: tuple[str, str]) -> None:
    assert pair_days(NORTH, SOUTH, keys) is None


def test_one_door_alone_is_cut_alike() -> None:
    days = rate_days(NORTH, KEY, HUNG_DAY + 100)
    assert days is not None
    assert int(days.daily.day[0]) == 100
    assert rate_days(NORTH, KEY, HUNG_DAY + 5000) is None
