"""What stays: counted from its start, with steps in it, and bounds that widen."""

from dataclasses import replace

import numpy as np
import pytest

from server.errors import SeriesError, TooFewReadingsError
from server.trend.decompose import decompose
from server.trend.series import DoorFacts
from server.trend.stays import Stays, what_stays
from tests.trend.records import record

BASELINE = (90, 120)
DOOR = DoorFacts(declared_steps=(600,))
DAILY = record(1096)
ADJUSTED = replace(DAILY, value=DAILY.value - 0.8 * (DAILY.day >= 600))


def stays(door: DoorFacts = DOOR) -> Stays:
    return what_stays(decompose(ADJUSTED, door), BASELINE)


def test_value_is_lasting_and_steps_less_their_mean_over_the_baseline() -> None:
    answer = decompose(ADJUSTED, DOOR)
    moved = answer.parts["secular"] + answer.parts["steps"]
    expected = moved - moved[90:120].mean()
    found = what_stays(answer, BASELINE)
    assert found.value == pytest.approx(expected[found.day], abs=1e-9)


def test_each_seventh_day_and_the_last() -> None:
    assert np.array_equal(stays().day, [*range(0, 1095, 7), 1095])


def test_truth_lies_within_the_bounds() -> None:
    found = stays()
    truth = 0.05 * (found.day - 104.5) / 365.25 - 0.8 * (found.day >= 600)
    settled = found.day >= 90
    inside = (found.low <= truth) & (truth <= found.high)
    assert inside[settled].mean() > 0.9
    assert (found.high - found.low)[settled].max() < 0.4


def test_error_of_a_step_s_size_is_in_the_bounds_after_it() -> None:
    plain, stepped = what_stays(decompose(DAILY, DoorFacts()), BASELINE), stays()
    wider = (stepped.high - stepped.low) / (plain.high - plain.low)
    assert wider[(stepped.day >= 600) & (stepped.day < 650)].min() > 1.02
    assert wider[stepped.day < 400].max() < 1.005


def test_drift_widens_with_the_years_since_the_baseline() -> None:
    still, drifting = stays(), stays(replace(DOOR, drift_per_year=0.02))
    half, wide = (found.high[-1] - found.value[-1] for found in (still, drifting))
    assert wide == pytest.approx(np.hypot(half, 1.96 * 0.02 * (1095 - 104.5) / 365.25))


def test_the_error_agrees_with_the_rate_s_own() -> None:
    """Over one day as the baseline, and no step, the last bound is the rate's interval times the years."""
    answer = decompose(DAILY, DoorFacts(drift_per_year=0.01))
    found, years = what_stays(answer, (90, 91)), (1095 - 90) / 365.25
    assert answer.rate is not None
    assert answer.interval is not None
    assert found.value[-1] == pytest.approx(answer.rate * years, abs=1e-10)
    assert found.high[-1] - found.value[-1] == pytest.approx(answer.interval.half_width * years)


def test_another_unit() -> None:
    in_um = replace(DOOR, scale=1000.0, white=20.0, ar=30.0, widest=100.0)
    other = what_stays(decompose(replace(ADJUSTED, value=1000 * ADJUSTED.value), in_um), BASELINE)
    assert other.value == pytest.approx(1000 * stays().value, abs=1e-5)
    assert other.low == pytest.approx(1000 * stays().low, abs=1e-5)


def test_refuses_where_nothing_was_fitted() -> None:
    with pytest.raises(
        TooFewReadingsError, match="needs a fit, from 120 days on, got 100 observed on 100 days"
    ):
        what_stays(decompose(record(100), DoorFacts()), BASELINE)


def test_refuses_a_baseline_outside_the_record() -> None:
    with pytest.raises(SeriesError, match="needs days 2000 to 2029 in the record, got days 0 to 1095"):
        what_stays(decompose(DAILY, DoorFacts()), (2000, 2030))


def test_a_gauge_set_anew_is_no_growth() -> None:
    """0.8 mm that the gauge was moved by: the record grows by 0.05 mm a year as if it had not been."""
    door = replace(DOOR, rezeroed=(600,))
    answer, counted = decompose(ADJUSTED, door), decompose(ADJUSTED, DOOR)
    found = what_stays(answer, BASELINE)
    truth = 0.05 * (found.day - 104.5) / 365.25
    settled = found.day >= 90
    assert ((found.low <= truth) & (truth <= found.high))[settled].mean() > 0.9
    assert found.value[-1] == pytest.approx(truth[-1], abs=0.05)
    assert what_stays(counted, BASELINE).value[-1] == pytest.approx(truth[-1] - 0.8, abs=0.05)
    assert (answer.rate, answer.rate_low) == (counted.rate, counted.rate_low)


def test_the_parts_are_those_of_a_gauge_that_was_never_set_anew() -> None:
    answer, counted = decompose(ADJUSTED, replace(DOOR, rezeroed=(600,))), decompose(ADJUSTED, DOOR)
    assert answer.anew is not None
    assert not answer.parts["steps"].any()
    whole = np.sum(list(answer.parts.values()), axis=0) + answer.anew
    assert whole == pytest.approx(np.sum(list(counted.parts.values()), axis=0), abs=1e-12)
    assert answer.anew == pytest.approx(counted.parts["steps"], abs=1e-12)
    assert [(one.day, one.declared) for one in answer.steps] == [(600, True)]
