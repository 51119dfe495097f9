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
STUCK_DAYS = 14
"""A daily mean that has been the very same for so long is a gauge's, not the air's."""
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
    known_days: int
    start_pct: float | None = None
    """The wood's moisture on the first day, where it was read; None: the slab begins with the air."""


def whole_climate(
    day: IntArray,
    temp_c: FloatArray,
    rh_pct: FloatArray,
    *,
    known_through: int | None = None,
    may_stand_still: bool = True,
) -> Climate | None:
    """Fill the missing days from the known ones, up to `known_through`; None where no such day is known.

    A day is known when it has both, both within what air can be, and the humidity is not stuck: at an end of
    the scale for 14 days, or, where air may not stand still, at any one value for so long.
    """
    flags = air_flags(temp_c, rh_pct)
    temp = np.where(flags.refused, np.nan, temp_c)
    at_an_end = (rh_pct >= 100.0) | (rh_pct <= 0.0)
    rh = np.where(flags.refused | (_stuck(rh_pct) & (at_an_end | (not may_stand_still))), np.nan, rh_pct)
    told = day <= (day[-1] if known_through is None else known_through)
    if np.isnan(temp[told]).all() or np.isnan(rh[told]).all():
        return None
    missing = np.isnan(temp) | np.isnan(rh)
    masked, resumed = _long_gaps(missing)
    temp = _filled(day, temp, told)
    damp = np.clip(_filled(day, rh, told), 0.0, 100.0)
    return Climate(
        temp_c=temp,
        emc_pct=emc_pct(temp, damp),
        masked=masked,
        resumed=resumed,
        known_days=int((~missing).sum()),
    )


def _stuck(values: FloatArray) -> BoolArray:
    """From the 14th day of one and the same value on; not before, for nobody knows it yet."""
    place = np.arange(values.size)
    changed = np.concatenate([[True], values[1:] != values[:-1]])
    since = np.maximum.accumulate(np.where(changed, place, 0))
    return np.asarray(place - since >= STUCK_DAYS - 1)


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


def _filled(day: IntArray, values: FloatArray, told: BoolArray) -> FloatArray:
    """Values with the missing ones guessed from those known on the days that are `told`."""
    is_there = np.isfinite(values)
    if is_there.all():
        return values
    known = is_there & told
    if known.sum() < ENOUGH_FOR_HARMONICS:
        guess = np.interp(day, day[known], values[known])
    else:
        turn = 2 * np.pi * day / DAYS_PER_YEAR
        year = np.column_stack([np.ones(day.size), *(f(k * turn) for k in (1, 2) for f in (np.cos, np.sin))])
        guess = year @ np.linalg.lstsq(year[known], values[known], rcond=None)[0]
    return np.where(is_there, values, guess)
