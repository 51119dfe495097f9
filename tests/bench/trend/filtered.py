"""The comparison of two doors on every night of a record at once, by a forward filter.

The same model as `server.trend.together`, reckoned another way: quick enough for hundreds of pairs, and a
check of the other. Not for service, where one solve a night is enough.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.trend.likelihood import Noise
from server.trend.paired import Side
from server.trend.series import DAYS_PER_YEAR
from server.trend.together import Shares

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MOVED = 6
STATES = 7
WIDE = 1e4
"""Variance of the first levels, for a diffuse start."""
SLOPE_START = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Nights:
    """Difference of the rates and its standard error, over the scale, on the places asked."""

    difference: FloatArray
    se: FloatArray


def filtered(a: Side, b: Side, shares: Shares, places: IntArray) -> Nights:
    """The comparison on each of `places` of two records of the same days, each by the days up to it."""
    size = STATES + len(a.columns.names) + len(b.columns.names)
    move, noise = _move(a.noise, b.noise, size), _noise(a.noise, b.noise, shares, size)
    mean, spread = np.zeros(size), _start(a, b, shares, size)
    settled, asked, found = max(a.settled, b.settled), set(places.tolist()), []
    for place in range(int(places.max()) + 1):
        if place:
            move[MOVED, 2:4] = np.array([-1.0, 1.0]) / DAYS_PER_YEAR * (place - 1 >= settled)
            mean, spread = move @ mean, move @ spread @ move.T + noise
        for side, one in enumerate((a, b)):
            if np.isfinite(one.y[place]):
                mean, spread = _updated(mean, spread, _seen_by(a, b, side, place), one, place)
        if place in asked:
            found.append(_asked(a, b, mean, spread, place, settled))
    difference, se = np.array(found).T
    return Nights(difference=difference, se=se)


def _updated(
    mean: FloatArray, spread: FloatArray, row: FloatArray, one: Side, place: int
) -> tuple[FloatArray, FloatArray]:
    gain = spread @ row
    variance = float(row @ gain) + one.noise.white**2
    off = float(one.y[place] - row @ mean)
    return mean + gain * (off / variance), spread - np.outer(gain, gain) / variance


def _seen_by(a: Side, b: Side, side: int, place: int) -> FloatArray:
    row = np.zeros(STATES + len(a.columns.names) + len(b.columns.names))
    row[[side, 4 + side]] = 1.0
    if side == 0:
        row[STATES : STATES + len(a.columns.names)] = a.columns.values[place]
    else:
        row[STATES + len(a.columns.names) :] = b.columns.values[place]
    return row


def _asked(
    a: Side, b: Side, mean: FloatArray, spread: FloatArray, place: int, settled: int
) -> tuple[float, float]:
    years = (place - settled) / DAYS_PER_YEAR
    row = np.zeros(mean.size)
    row[MOVED] = 1.0 / years
    known = 0.0
    before = 0
    for sign, one in ((-1.0, a), (1.0, b)):
        creep = one.columns.values[:, one.columns.creep]
        grown = sign * float(creep[place] - creep[settled]) / years
        row[STATES + before + one.columns.creep] = grown
        known += one.columns.creep_mean * grown
        before += len(one.columns.names)
    return float(row @ mean) + known, float(np.sqrt(row @ spread @ row))


def _move(a: Noise, b: Noise, size: int) -> FloatArray:
    move = np.eye(size)
    move[[0, 1], [2, 3]] = 1.0 / DAYS_PER_YEAR
    move[[4, 5], [4, 5]] = _left(a), _left(b)
    return move


def _left(one: Noise) -> float:
    return float(np.exp(-1.0 / one.ar_days))


def _noise(a: Noise, b: Noise, shares: Shares, size: int) -> FloatArray:
    h = 1.0 / DAYS_PER_YEAR
    noise = np.zeros((size, size))
    for first, share, sizes in (
        (0, shares.level, [one.level_per_sqrt_year * np.sqrt(h) for one in (a, b)]),
        (2, shares.slope, [one.slope_per_year_per_sqrt_year * np.sqrt(h) for one in (a, b)]),
        (4, shares.ar, [one.ar * np.sqrt(1 - _left(one) ** 2) for one in (a, b)]),
    ):
        noise[first : first + 2, first : first + 2] = np.outer(sizes, sizes) * [[1, share], [share, 1]]
    return noise


def _start(a: Side, b: Side, shares: Shares, size: int) -> FloatArray:
    spread = np.zeros((size, size))
    spread[[0, 1], [0, 1]] = WIDE
    spread[[2, 3], [2, 3]] = SLOPE_START**2
    left = np.array([_left(a.noise), _left(b.noise)])
    spread[4:6, 4:6] = _noise(a.noise, b.noise, shares, size)[4:6, 4:6] / (1 - np.outer(left, left))
    priors = np.concatenate([a.columns.prior_sd, b.columns.prior_sd])
    spread[range(STATES, size), range(STATES, size)] = priors**2
    return spread
