"""Days that stand apart from the days before and from the days after."""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

NEIGHBOURS = 5
REACH_DAYS = 15
FEWEST = 3
SMALLEST = 0.10


def outlying(residual: FloatArray) -> BoolArray:
    """Which days depart from the median of every side that counts; shape (days,).

    residual: shape (days,), NaN on unseen days, in the unit of sag in mm. A side is up to 5 observed days
    within 15 calendar days; with fewer than 3 it does not count. Both sides, not one window round the day:
    a spike that stands next to a step would hide in such a window and spoil the step's size.
    """
    place = np.flatnonzero(np.isfinite(residual))
    found = np.zeros(residual.size, dtype=bool)
    if place.size < 2:
        return found
    seen = residual[place]
    scatter = 1.4826 * float(np.median(np.abs(np.diff(seen)))) / np.sqrt(2)
    bound = max(SMALLEST, 4 * 1.3 * scatter)
    before, after = _side_medians(place, seen, -1), _side_medians(place, seen, 1)
    known = np.isfinite(before) | np.isfinite(after)
    apart = [np.isnan(side) | (np.abs(seen - side) > bound) for side in (before, after)]
    found[place] = known & apart[0] & apart[1]
    return found


def _side_medians(place: NDArray[np.intp], seen: FloatArray, sign: int) -> FloatArray:
    """Median of each day's neighbours on one side, NaN where there are too few."""
    at = np.arange(place.size)[:, None] + sign * np.arange(1, NEIGHBOURS + 1)
    within = (at >= 0) & (at < place.size)
    at = np.clip(at, 0, place.size - 1)
    within &= np.abs(place[at] - place[:, None]) <= REACH_DAYS
    ordered = np.sort(np.where(within, seen[at], np.nan), axis=1)
    count = within.sum(axis=1)
    row = np.arange(place.size)
    middle = (ordered[row, np.maximum(count - 1, 0) // 2] + ordered[row, count // 2]) / 2
    return np.where(count >= FEWEST, middle, np.nan)
