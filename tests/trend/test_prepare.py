"""A record made ready: what may be fitted, from where, and what is refused before anything is fitted."""

from dataclasses import replace

import numpy as np
import pytest

from server.errors import SeriesError
from server.trend.answer import Decomposition
from server.trend.climate import STUCK_DAYS
from server.trend.prepare import Prepared, prepared
from server.trend.series import Daily, DoorFacts
from tests.trend.records import FloatArray, record, without

DAILY = record(800)
DOOR = DoorFacts()


def ready(daily: Daily, door: DoorFacts = DOOR, *, may_stand_still: bool = True) -> Prepared:
    made = prepared(daily, door, may_stand_still=may_stand_still)
    assert isinstance(made, Prepared)
    return made


def refused(daily: Daily, *, may_stand_still: bool = True) -> Decomposition:
    made = prepared(daily, DOOR, may_stand_still=may_stand_still)
    assert isinstance(made, Decomposition)
    return made


def test_series_is_over_its_scale_from_its_median() -> None:
    made = ready(DAILY, replace(DOOR, scale=0.5))
    creep = 0.06 * np.log1p(DAILY.day / 30)
    assert made.y == pytest.approx((DAILY.value - np.median(DAILY.value)) / 0.5 - creep)


def test_declared_steps_are_those_within() -> None:
    assert ready(DAILY, replace(DOOR, declared_steps=(900, 5, 0, 5))).declared == (5,)


@pytest.mark.parametrize("stuck_at", [100.0, 101.5, 0.0])
def test_a_gauge_stuck_at_an_end_tells_no_climate(stuck_at: float) -> None:
    answer = refused(replace(DAILY, rh_pct=np.full(800, stuck_at)))
    assert (answer.status, answer.reason, answer.came) == ("refused", "no_climate", STUCK_DAYS - 1)
    assert answer.rate is None
    assert answer.parts == {}


def test_a_gauge_stuck_elsewhere_is_told_from_steady_air_only_where_asked() -> None:
    still = replace(DAILY, rh_pct=np.full(800, 55.0))
    assert ready(still).observed == 800
    assert refused(still, may_stand_still=False).reason == "no_climate"


def stuck(values: FloatArray, start: int, stop: int) -> FloatArray:
    return np.where((np.arange(values.size) >= start) & (np.arange(values.size) < stop), 100.0, values)


def test_two_damp_weeks_are_air_and_a_month_is_a_broken_gauge() -> None:
    assert ready(replace(DAILY, rh_pct=stuck(DAILY.rh_pct, 300, 313))).observed == 800
    month = ready(replace(DAILY, rh_pct=stuck(DAILY.rh_pct, 300, 340)))
    # 13 days until it is known to be stuck, 7 more until the slab is not known
    assert np.flatnonzero(np.isnan(month.y)).tolist() == list(range(320, 340))
    assert month.climate.resumed == (340,)


def test_filling_looks_no_further_than_it_may() -> None:
    gap = replace(DAILY, temp_c=without(DAILY.temp_c, (300, 320)), rh_pct=without(DAILY.rh_pct, (300, 320)))
    warmer = replace(gap, temp_c=gap.temp_c + 10.0 * (gap.day > 500))
    one, other = (prepared(each, DOOR, known_through=500) for each in (gap, warmer))
    assert isinstance(one, Prepared)
    assert isinstance(other, Prepared)
    assert one.climate.temp_c[300:320] == pytest.approx(other.climate.temp_c[300:320], abs=1e-12)
    cheated = ready(warmer).climate.temp_c[300:320]
    assert np.abs(cheated - one.climate.temp_c[300:320]).max() > 1


BAD = [
    ("unequal", {"temp_c": DAILY.temp_c[:-1]}, "temp_c"),
    ("a day twice", {"day": np.where(DAILY.day == 400, 399, DAILY.day)}, "399 after 399"),
    ("a clock that jumps ahead", {"day": DAILY.day + 30 * (DAILY.day > 400)}, "431 after 400"),
    ("a clock that jumps back", {"day": DAILY.day - 30 * (DAILY.day > 400)}, "371 after 400"),
    ("infinite", {"value": np.where(DAILY.day == 7, np.inf, DAILY.value)}, "value"),
]


@pytest.mark.parametrize(("changed", "said"), [row[1:] for row in BAD], ids=[row[0] for row in BAD])
def test_what_is_no_daily_series_is_refused_by_name(changed: dict[str, FloatArray], said: str) -> None:
    with pytest.raises(SeriesError, match=said):
        replace(DAILY, **changed)  # type: ignore[arg-type]
