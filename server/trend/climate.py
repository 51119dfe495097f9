"""The climate of a record made whole, without looking ahead, and where it was not known for long."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.timber.sorption import air_flags, emc_pct
from server.trend.series import DAYS_PER_YEAR

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]
GAP_DAYS = 7
ENOUGH_FOR_HARMONICS = 300


@dataclass(frozen=True, slots=True, kw_only=True)
class Climate:
    """Whole days of air, and what is to be kept of where they were missing; arrays of shape (days,)."""

    temp_c: FloatArray
    emc_pct: FloatArray
    masked: BoolArray
    """From the 8th day of a gap on: the slab is not known, so the series is not used."""
    resumed: tuple[int, ...]
    """Places (not days) at which climate is there again after a gap of more than 7 days."""


def whole_climate(day: IntArray, temp_c: FloatArray, rh_pct: FloatArray) -> Climate | None:
    """Fill the missing days from the known ones of this record; None where no day is known.

    A day is known when it has both, and both within what air can be.
    """
    flags = air_flags(temp_c, rh_pct)
    temp = np.where(flags.refused, np.nan, temp_c)
    rh = np.where(flags.refused, np.nan, rh_pct)
    if np.isnan(temp).all() or np.isnan(rh).all():
        return None
    masked, resumed = _long_gaps(np.isnan(temp) | np.isnan(rh))
    temp = _filled(day, temp)
    damp = np.clip(_filled(day, rh), 0.0, 100.0)
    return Climate(temp_c=temp, emc_pct=emc_pct(temp, damp), masked=masked, resumed=resumed)


def _long_gaps(missing: BoolArray) -> tuple[BoolArray, tuple[int, ...]]:
    edges = np.diff(np.concatenate([[0], missing.astype(int), [0]]))
    masked = np.zeros(missing.size, dtype=bool)
    resumed = []
    for start, stop in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        # Not from the first day: on that day nobody knows yet how long the gap will be.
        masked[start + GAP_DAYS : stop] = True
        if stop - start > GAP_DAYS and stop < missing.size:
            resumed.append(int(stop))
    return masked, tuple(resumed)


def _filled(day: IntArray, values: FloatArray) -> FloatArray:
    known = np.isfinite(values)
    if known.all():
        return values
    if known.sum() < ENOUGH_FOR_HARMONICS:
        guess = np.interp(day, day[known], values[known])
    else:
        turn = 2 * np.pi * day / DAYS_PER_YEAR
        year = np.column_stack([np.ones(day.size), *(f(k * turn) for k in (1, 2) for f in (np.cos, np.sin))])
        guess = year @ np.linalg.lstsq(year[known], values[known], rcond=None)[0]
    return np.where(known, values, guess)
