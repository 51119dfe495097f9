"""Spikes are found, and steps, slopes and outages are not taken for spikes."""

import numpy as np
import pytest

from server.trend.outliers import outlying

QUIET = np.random.default_rng(5).normal(0, 0.01, 200)


def found(residual: np.ndarray) -> list[int]:
    return np.flatnonzero(outlying(residual)).tolist()


def test_quiet_days_are_kept() -> None:
    assert found(QUIET) == []


@pytest.mark.parametrize("place", [0, 100, 199])
@pytest.mark.parametrize("size", [0.3, -0.3])
def test_a_spike_is_found(place: int, size: float) -> None:
    residual = QUIET.copy()
    residual[place] += size
    assert found(residual) == [place]


def test_a_small_spike_is_kept() -> None:
    residual = QUIET.copy()
    residual[100] = np.median(QUIET[95:106]) + 0.08
    assert found(residual) == []


def test_a_noisy_gauge_needs_a_larger_spike() -> None:
    residual = 20 * QUIET
    residual[100] += 0.5
    assert found(residual) == []


def test_a_step_is_kept() -> None:
    assert found(QUIET + 0.5 * (np.arange(200) >= 100)) == []


def test_a_spike_before_a_step_is_found() -> None:
    residual = QUIET + 0.5 * (np.arange(200) >= 100)
    residual[99] += 1.0
    assert found(residual) == [99]


def test_days_alone_between_outages_are_not_judged_by_those_long_before() -> None:
    residual = QUIET + 0.5 * (np.arange(200) >= 100)
    residual[100:120] = residual[122:] = np.nan
    assert found(residual) == []
    residual[100:110] = 0.5
    residual[[104, 120]] += 1.0
    assert found(residual) == [104, 120]


def test_a_lone_day_has_nothing_to_depart_from() -> None:
    residual = np.full(200, np.nan)
    residual[[0, 60, 120]] = [0.0, 5.0, 0.0]
    assert found(residual) == []


def test_no_day_at_all() -> None:
    assert found(np.full(10, np.nan)) == []
