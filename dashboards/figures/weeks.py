"""Daily parts of a movement as weekly means, few enough to draw."""

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
MOST_POINTS = 400
WEEK = 7
ROUND_DAYS = 45


class DailyParts(Protocol):
    """What is drawn: daily arrays of one length, NaN where there is none, relative to the hung line."""

    @property
    def day(self) -> NDArray[np.int64]:
        """Day numbers since 1970, rising."""

    @property
    def seen(self) -> FloatArray:
        """What was measured."""

    @property
    def stays(self) -> FloatArray:
        """What stays."""

    @property
    def stays_low(self) -> FloatArray:
        """Its lower 95 % bound."""

    @property
    def stays_high(self) -> FloatArray:
        """Its upper 95 % bound."""

    @property
    def back(self) -> FloatArray:
        """What comes back."""

    @property
    def moisture(self) -> FloatArray:
        """Moisture content of the wood, %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Weeks:
    """Means over equal runs of whole days; `day` is the middle of each run. At most 400 points."""

    day: FloatArray
    seen: FloatArray
    stays: FloatArray
    low: FloatArray
    high: FloatArray
    back: FloatArray

    @property
    def fitted(self) -> FloatArray:
        """What stays and what comes back, together."""
        return self.stays + self.back

    @property
    def is_parted(self) -> bool:
        """Whether season and set are told apart on any day."""
        return bool(np.isfinite(self.stays).any())


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """One year of the season's round: moisture content (%) and what comes back (mm), a point a week."""

    day: NDArray[np.int64]
    moisture: FloatArray
    back: FloatArray


def weekly(parts: DailyParts) -> Weeks:
    """Weekly means, or means of longer runs where weeks would be more than 400."""
    first, last = int(parts.day[0]), int(parts.day[-1])
    size = WEEK * max(1, math.ceil((last - first + 1) / WEEK / MOST_POINTS))
    edges = np.arange(first, last + 1, size)
    means = {
        name: _means(getattr(parts, name), parts.day, edges)
        for name in ("seen", "stays", "stays_low", "stays_high", "back")
    }
    middle = edges.astype(np.float64) + (size - 1) / 2
    middle[-1] = min(middle[-1], (edges[-1] + last) / 2)
    return Weeks(
        day=middle,
        seen=means["seen"],
        stays=means["stays"],
        low=means["stays_low"],
        high=means["stays_high"],
        back=means["back"],
    )


def rounds(parts: DailyParts, *, most: int = 5) -> tuple[Round, ...]:
    """The last years' rounds, oldest first: 45-day centred means, a point a week; whole years only."""
    both = np.isfinite(parts.moisture) & np.isfinite(parts.back)
    if both.sum() < 300:
        return ()
    first, last = int(parts.day[0]), int(parts.day[-1])
    every = np.arange(first, last + 1)
    moist = _centred(_on(every, parts.day, parts.moisture))
    back = _centred(_on(every, parts.day, parts.back))
    told = []
    for years in range(most):
        stop = every.size - years * 365
        start = max(0, stop - 366)
        places = np.arange(stop - 1, start - 1, -WEEK)[::-1]
        fine = np.isfinite(moist[places]) & np.isfinite(back[places])
        if stop - start < 300 or fine.mean() < 0.7:
            break
        told.append(Round(day=every[places][fine], moisture=moist[places][fine], back=back[places][fine]))
    return tuple(reversed(told))


def branches(one: Round) -> dict[str, tuple[float, float]]:
    """Where a round runs while the wood takes up damp and while it dries: % and mm.

    At mid-moisture, or a third of the way to the other side where the round ends near there and says so.
    """
    rise = np.gradient(one.moisture) if one.moisture.size > 2 else np.zeros(one.moisture.size)
    low, high = one.moisture.min(), one.moisture.max()
    place, reach = (low + high) / 2, (high - low) / 4
    past = one.moisture[-1] - place
    if abs(past) < reach:
        place -= np.copysign((high - low) / 3, past)
    near = np.abs(one.moisture - place) <= reach
    found = {"taking up damp": near & (rise > 0), "drying out": near & (rise < 0)}
    return {name: (float(place), float(one.back[on].mean())) for name, on in found.items() if on.any()}


def _means(values: FloatArray, day: NDArray[np.int64], edges: NDArray[np.int64]) -> FloatArray:
    bin_of = np.searchsorted(edges, day, side="right") - 1
    fine = np.isfinite(values)
    total = np.bincount(bin_of[fine], weights=values[fine], minlength=edges.size)
    n = np.bincount(bin_of[fine], minlength=edges.size)
    out = np.full(edges.size, np.nan)
    np.divide(total, n, out=out, where=n > 0)
    return out


def _on(every: NDArray[np.int64], day: NDArray[np.int64], values: FloatArray) -> FloatArray:
    out = np.full(every.size, np.nan)
    out[day - every[0]] = values
    return out


def _centred(values: FloatArray) -> FloatArray:
    fine = np.isfinite(values)
    ones = np.ones(ROUND_DAYS)
    reach = (ROUND_DAYS - 1) // 2
    total = np.convolve(np.pad(np.where(fine, values, 0.0), reach), ones, "valid")
    n = np.convolve(np.pad(fine.astype(np.float64), reach), ones, "valid")
    out = np.full(values.size, np.nan)
    np.divide(total, n, out=out, where=n >= ROUND_DAYS / 3)
    return out
