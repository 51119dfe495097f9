"""Invented records for the trend's tests, not by its model: a straight growth, a first-order lag, noise."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from server.timber.sorption import emc_pct
from server.trend.series import Daily

FloatArray = NDArray[np.float64]


def air(days: int, *, first: int = 0) -> tuple[FloatArray, FloatArray]:
    """Temperature and humidity of a plain yearly round, with some days' weather in it."""
    rng = np.random.default_rng(11)
    turn = 2 * np.pi * (first + np.arange(days)) / 365.25
    weather = np.convolve(rng.normal(size=days + 9), np.ones(10) / 3, mode="valid")
    return 12 - 9 * np.cos(turn) + 2 * weather, 65 + 10 * np.cos(turn + 0.3) + 3 * weather[::-1]


def record(days: int, *, rate: float = 0.05, seed: int = 1, first: int = 0) -> Daily:
    """A gauge that grows by `rate` a year, under 0.1 mm for each % of moisture, 50 days behind the air."""
    rng = np.random.default_rng(seed)
    day = np.arange(first, first + days)
    temp_c, rh_pct = air(days, first=first)
    season = 0.1 * _lagging(emc_pct(temp_c, rh_pct), days_behind=50.0)
    value = 4.0 + rate * day / 365.25 + season + rng.normal(0, 0.02, days)
    return Daily(day=day, value=value, temp_c=temp_c, rh_pct=rh_pct)


def _lagging(air_pct: FloatArray, *, days_behind: float) -> FloatArray:
    wood_pct, state = np.empty_like(air_pct), float(air_pct[:30].mean())
    for place, today in enumerate(air_pct):
        state += (today - state) / days_behind
        wood_pct[place] = state
    return wood_pct


def without(values: FloatArray, *spans: tuple[int, int]) -> FloatArray:
    """A copy of `values`, missing at the places [start, stop) of each span."""
    copy = values.copy()
    for start, stop in spans:
        copy[start:stop] = np.nan
    return copy


def stepped(daily: Daily, day: int, size: float) -> Daily:
    """The record with a lasting shift of `size` from `day` on."""
    return replace(daily, value=daily.value + size * (daily.day >= day))


def opening(daily: Daily, onset: int, *, a_year: float = 0.4, power: float = 1.5) -> Daily:
    """The record of a door of which a joint opens from `onset` on, by a power of the years since."""
    years = np.maximum(daily.day - onset, 0) / 365.25
    return replace(daily, value=daily.value + a_year * years**power)
