"""Dates of a limit: from a joint that opens by a known law."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from server.errors import OutOfRangeError, TooFewReadingsError
from server.trend.answer import Decomposition
from server.trend.decompose import decompose
from server.trend.forecast import Forecast, forecast
from server.trend.refit import refit
from server.trend.series import DoorFacts
from tests.trend.records import opening, record

DOOR = DoorFacts()
OPENS = opening(record(1000, rate=0.0), 400, a_year=0.5, power=1.4)


@cache
def fit() -> Decomposition:
    return refit(OPENS, DOOR)


LIMIT_MM = 2.0
# 0.5 (years since day 400)^1.4 = 2
CROSSING = 400 + 365.25 * (LIMIT_MM / 0.5) ** (1 / 1.4)


def told(limit: float = LIMIT_MM, seed: int = 1) -> Forecast:
    return forecast(fit(), limit, np.random.default_rng(seed))


def test_the_day_lies_in_the_range_and_the_range_is_no_more_than_years() -> None:
    said = told()
    assert said.latest_day is not None
    assert 1000 < said.earliest_day < CROSSING < said.latest_day
    assert said.earliest_day < said.median_day < said.latest_day
    assert said.median_day == pytest.approx(CROSSING, abs=200)
    assert said.latest_day - said.earliest_day < 900


def test_a_nearer_limit_is_reached_earlier_and_surer() -> None:
    near, far = told(1.0), told(4.0)
    assert near.earliest_day < told().earliest_day < far.earliest_day
    for years in (1, 2, 5, 10):
        assert near.probability_by[years] >= far.probability_by[years]


def test_probabilities_agree_with_the_quantiles() -> None:
    said = told()
    assert list(said.probability_by) == [1, 2, 5, 10]
    assert list(said.probability_by.values()) == sorted(said.probability_by.values())
    middle = (said.median_day - 999) / 365.25
    below = max((years for years in said.probability_by if years <= middle), default=None)
    above = min(years for years in said.probability_by if years >= middle)
    assert said.probability_by[above] >= 0.5
    assert below is None or said.probability_by[below] <= 0.5


def test_a_limit_already_passed_is_reached_today() -> None:
    said = told(0.05)
    assert said.earliest_day == 999
    assert said.median_day < 999 + 60


def test_a_limit_far_beyond_is_not_within_ten_years() -> None:
    said = told(1e8)
    assert said.latest_day is None
    assert said.earliest_day - 999 in {3652, 3653}
    assert said.probability_by[10] == 0.0


def test_draws_are_those_of_the_generator() -> None:
    assert told(seed=3) == told(seed=3)
    assert told(seed=3) != told(seed=4)


def test_another_unit_has_the_same_dates() -> None:
    in_um = DoorFacts(scale=1000.0, white=20.0, ar=30.0, widest=100.0)
    other = refit(replace(OPENS, value=1000.0 * OPENS.value), in_um)
    said = forecast(other, 1000 * LIMIT_MM, np.random.default_rng(1))
    assert said.earliest_day == pytest.approx(told().earliest_day, abs=3)
    assert said.median_day == pytest.approx(told().median_day, abs=3)


def test_the_horizon_is_ten_years() -> None:
    assert told(1e8).median_day - 999 == pytest.approx(3652.5, abs=1)


@pytest.mark.parametrize("limit", [0.0, -1.0, np.nan, np.inf])
def test_a_limit_is_above_nothing(limit: float) -> None:
    with pytest.raises(OutOfRangeError, match="date of a limit"):
        told(limit)


def test_refuses_what_was_not_fitted() -> None:
    with pytest.raises(TooFewReadingsError, match="date of a limit"):
        forecast(decompose(record(100), DOOR), LIMIT_MM, np.random.default_rng(1))
