"""Two doors compared with their openings in the sum: what goes with use, and what with the years."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from server.trend.compare import ByOpenings, Comparison, Told
from server.trend.decompose import decompose
from server.trend.paired import Side, compare_sides
from server.trend.paired_nights import side_of
from server.trend.refit import refit
from server.trend.series import Daily, DoorFacts
from server.trend.together import Shares
from tests.trend.records import record

FloatArray = NDArray[np.float64]
DOOR = DoorFacts()
DAYS = 2190
YEAR = np.arange(DAYS) / 365.25
EVEN = np.ones(DAYS)
THREE_TIMES = np.where((YEAR >= 2) & (YEAR < 4), 3.0, 1.0)
TERMS = np.where((YEAR % 1 > 0.45) & (YEAR % 1 < 0.65), 0.1, 1.2)
HALF_AGAIN = np.where((YEAR >= 3) & (YEAR < 4), 1.5, 1.0)


def opened(times: FloatArray, seed: int) -> FloatArray:
    """Openings up to each day in ten thousands: 10,000 a year times that, each day ± 25 %, weeks ± 5 %."""
    rng = np.random.default_rng(seed)
    days = rng.lognormal(0, 0.25, DAYS) * np.repeat(rng.normal(1, 0.05, DAYS // 7 + 1), 7)[:DAYS]
    return np.asarray(np.cumsum(times * days) / 365.25)


def side(daily: Daily, openings: FloatArray | None = None) -> Side:
    kept = refit(daily, DOOR).kept
    assert kept is not None
    laid = side_of(kept, daily, DOOR)
    assert laid is not None
    return replace(laid, openings=openings)


def moved(daily: Daily, openings: FloatArray, per_10000: float) -> Daily:
    return replace(daily, value=daily.value + per_10000 * openings)


def compared(a: Side, b: Side) -> Comparison:
    return compare_sides(a, b, DOOR, shares=Shares())


def beside(said: Comparison) -> ByOpenings:
    assert said.by_openings is not None
    return said.by_openings


def holds(told: Told | None, true: float) -> bool:
    assert told is not None
    return told.low <= true <= told.high


def is_above_none(told: Told | None) -> bool:
    assert told is not None
    return told.low > 0


@cache
def usual_noise() -> Side:
    """A door with the usual noise, as none was fitted."""
    kept = decompose(record(DAYS, rate=0.0, seed=1), DOOR).kept
    assert kept is not None
    laid = side_of(kept, record(DAYS, rate=0.0, seed=1), DOOR)
    assert laid is not None
    return laid


def usual(openings: FloatArray) -> Side:
    laid = usual_noise()
    return replace(laid, openings=openings)


@pytest.fixture(scope="module")
def still() -> Side:
    """A door that does not move, used three times as much in two years of six."""
    return side(record(DAYS, rate=0.0, seed=1), opened(THREE_TIMES, 5))


def test_growth_that_goes_with_openings_is_laid_to_them(still: Side) -> None:
    openings = opened(THREE_TIMES, 6)
    worn = side(moved(record(DAYS, rate=0.0, seed=2), openings, 0.15), openings)
    said = compared(still, worn)
    told = beside(said)
    assert said.low is not None
    assert said.low > 0  # by the year alone it moves more
    assert told.ratio <= 4
    assert is_above_none(told.b)
    assert holds(told.b, 0.15)
    assert holds(told.a, 0.0)
    assert holds(told.difference, 0.0)


def test_growth_that_goes_with_the_years_is_left_to_them(still: Side) -> None:
    aged = side(record(DAYS, rate=0.25, seed=2), opened(THREE_TIMES, 6))
    told = beside(compared(still, aged))
    assert holds(told.b, 0.0)
    assert holds(told.a, 0.0)
    assert holds(told.difference, 0.25)
    assert is_above_none(told.difference)


# Source: trial design, section 10, six years of the usual noise: 11, 5.5, 5.6, 2.1. (Use doubled halfway has
# 3.1 there and 4.9 here.)
@pytest.mark.parametrize(
    ("times", "is_told"),
    [(EVEN, False), (TERMS, False), (HALF_AGAIN, False), (THREE_TIMES, True)],
    ids=["even", "terms", "half again", "three times"],
)
def test_openings_are_told_from_years_where_use_changed(times: FloatArray, *, is_told: bool) -> None:
    told = beside(compared(usual(opened(times, 5)), usual(opened(times, 6))))
    assert (told.difference is not None, told.ratio <= 4) == (is_told, is_told)


def test_used_evenly_the_error_grows_as_was_measured_elsewhere() -> None:
    """Source: trial design, section 10: 11 on six years, use steady within 5 %."""
    assert beside(compared(usual(opened(EVEN, 5)), usual(opened(EVEN, 6)))).ratio == pytest.approx(
        11, abs=0.5
    )


def test_with_one_counter_alone_nothing_is_asked(still: Side) -> None:
    assert compared(still, replace(still, openings=None)).by_openings is None


def test_the_comparison_itself_is_as_without(still: Side) -> None:
    openings = opened(THREE_TIMES, 6)
    other = side(record(DAYS, rate=0.1, seed=2))
    with_use = compared(still, replace(other, openings=openings))
    assert replace(with_use, by_openings=None) == compared(still, other)


def test_weights_are_of_what_openings_move_too(still: Side) -> None:
    openings = opened(THREE_TIMES, 6)
    worn = side(moved(record(DAYS, rate=0.0, seed=2), openings, 0.15), openings)
    plain = beside(compared(still, worn))
    twice = beside(compare_sides(still, worn, DOOR, shares=Shares(), weights=(1.0, 2.0)))
    assert plain.b is not None
    assert twice.b is not None
    assert (twice.b.value, twice.b.high) == pytest.approx((2 * plain.b.value, 2 * plain.b.high))
