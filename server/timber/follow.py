"""A leaf's moisture through a real record: its start, days without air, and long silences."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.errors import OutOfRangeError
from server.timber.exact import Slab, dtheta, mode_roots, mode_weights

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

SPIN_UP_DAYS = 30
LONGEST_BRIDGE_DAYS = 30.0
SETTLED_AT = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """Mean moisture of each day and what is to be said of it; arrays of shape (days,).

    `bridged`: days without air were bridged to reach this one. `restart`: the silence was too long, so the
    leaf starts anew here. `settling`: over 5 % of the start is left; `start_left`: how much.
    """

    mean_pct: FloatArray
    bridged: BoolArray
    restart: BoolArray
    settling: BoolArray
    start_left: FloatArray


def follow(
    slab: Slab,
    air_pct: ArrayLike,
    temp_c: ArrayLike,
    *,
    days: ArrayLike = 1.0,
    start_pct: float | None = None,
) -> Followed:
    """Mean moisture through days of air (equilibrium moisture content), NaN where the air is missing.

    `start_pct`: the meter's mean where the leaf was measured when hung; else the mean of the first 30 days'
    air. A gap of up to 30 days is bridged with the last good air, a longer one starts anew.
    Raises OutOfRangeError for a step whose length is not above 0.
    """
    given = (np.atleast_1d(np.asarray(value, dtype=float)) for value in (air_pct, temp_c, days))
    air, temp, length = np.broadcast_arrays(*given)
    if not (length > 0).all():
        raise OutOfRangeError("series of a leaf", "times above 0 days", f"{float(np.min(length)):g}")
    result = _empty(air.size)
    good = np.isfinite(air) & np.isfinite(temp)
    walk = _Walk(slab)
    for day in np.flatnonzero(good):
        gap = float(length[walk.last + 1 : day].sum()) if walk.last >= 0 else 0.0
        if walk.last < 0 or gap > LONGEST_BRIDGE_DAYS:
            first = walk.last < 0
            mine = start_pct if first and start_pct is not None else _first_air(air[day:], good[day:])
            walk.begin(mine)
            result.restart[day] = not first
        elif gap > 0:
            walk.go(air[walk.last], temp[walk.last], gap)
            result.bridged[day] = True
        result.mean_pct[day] = walk.go(air[day], temp[day], length[day])
        result.settling[day] = walk.slowest * walk.theta <= SETTLED_AT
        result.start_left[day] = np.exp(-walk.slowest * walk.theta)
        walk.last = int(day)
    return result


class _Walk:
    """A leaf on its way through the days, changed in place for speed."""

    def __init__(self, slab: Slab) -> None:
        self.slab, self.last, self.theta = slab, -1, 0.0
        self.rates = mode_roots(slab.biot, slab.modes) ** 2
        self.share = mode_weights(slab.biot, slab.modes)
        self.rest = float(1.0 - self.share.sum())
        self.slowest = float(self.rates[0])
        self.modes = np.zeros(slab.modes)

    def begin(self, start_pct: float) -> None:
        self.modes, self.theta = np.full(self.slab.modes, start_pct), 0.0

    def go(self, air_pct: float, temp_c: float, days: float) -> float:
        theta = float(dtheta(self.slab, temp_c, days))
        self.theta += theta
        self.modes = air_pct + (self.modes - air_pct) * np.exp(-self.rates * theta)
        return float(self.modes @ self.share + self.rest * air_pct)


def _first_air(air: FloatArray, good: BoolArray) -> float:
    return float(air[:SPIN_UP_DAYS][good[:SPIN_UP_DAYS]].mean())


def _empty(size: int) -> Followed:
    return Followed(
        mean_pct=np.full(size, np.nan),
        bridged=np.zeros(size, dtype=bool),
        restart=np.zeros(size, dtype=bool),
        settling=np.zeros(size, dtype=bool),
        start_left=np.full(size, np.nan),
    )
