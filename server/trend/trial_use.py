"""Openings: what a door's counters say of its use, a rate per 10,000 of them, and what may be said of use."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.errors import HangtrueError, OutOfRangeError

FloatArray = NDArray[np.float64]
Kind = Literal["counted", "at_least", "other_counter"]
Said = Literal["not_by_use", "may_be_use", "by_openings_only", "nothing_told", "not_counted"]

COVERED_SHARE = 0.8
FEWEST_COUNTED_DAYS = 180
FEWEST_COUNTED_SHARE = 0.6
WIDEST_SHARE = 0.15
Z_95 = 1.96
YEAR_DAYS = 365.25
PER_OPENINGS = 10_000.0
BOUNCES_ABOVE = 5000.0
WORST_RATIO = 4.0
SLAM_DAYS = (14, 105)
SLAM_PERCENTILE = 99.5


class UseUnknownError(HangtrueError, ValueError):
    """Too little was counted to say how much a door is used."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What a counter showed at `day`, in days and parts of a day (UTC)."""

    day: float
    count: int
    counter: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Openings between two readings; None where another counter took over."""

    start: float
    end: float
    count: int | None
    kind: Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class DailyUse:
    """Openings of each UTC day (days,), the share of it that was counted, and whether it tells the spread.

    A day touched by a span over 24 h is of an average and tells no spread. `is_at_least`: a counter fell
    back, so that the whole is a least. `bouncing`: days of over 5000, which are kept all the same.
    """

    day: NDArray[np.int64]
    count: FloatArray
    covered: FloatArray
    tells_spread: NDArray[np.bool_]
    is_at_least: bool

    @property
    def bouncing(self) -> NDArray[np.int64]:
        """Days so full that the counter may bounce, or the door bang in a gale."""
        return self.day[self.count > BOUNCES_ABOVE]


@dataclass(frozen=True, slots=True, kw_only=True)
class YearUse:
    """Openings a year of 365.25 days with their standard deviation, and the days they rest on."""

    total: float
    sd: float
    counted_days: int
    record_days: int
    is_at_least: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PerOpenings:
    """A rate per 10,000 openings and the half-width of its 95 % interval."""

    rate: float
    half: float


def spans_of(readings: Sequence[Reading]) -> tuple[Span, ...]:
    """The spans between readings in order of time. Two counters are never subtracted."""
    return tuple(_span(a, b) for a, b in pairwise(readings))


def openings(spans: Sequence[Span]) -> DailyUse:
    """Openings by UTC day, each span's spread evenly over its time.

    Raises UseUnknownError without a span, OutOfRangeError for one that does not go forward.
    """
    if not spans:
        raise UseUnknownError("openings", "two readings of a counter", "fewer")
    if any(not span.start < span.end for span in spans):
        raise OutOfRangeError("openings", "readings in order of time", "another order")
    first, last = math.floor(spans[0].start), math.ceil(spans[-1].end)
    days = np.arange(first, last)
    cut = _cut_at_days(spans)
    count, covered, long = np.zeros(len(days)), np.zeros(len(days)), np.zeros(len(days))
    place = cut.day - first
    np.add.at(count, place, cut.count * cut.share)
    np.add.at(covered, place, cut.is_counted * cut.part)
    np.add.at(long, place, cut.is_long * cut.part)
    tells = long == 0
    fell = any(span.kind == "at_least" for span in spans)
    return DailyUse(day=days, count=count, covered=covered, tells_spread=tells, is_at_least=fell)


def use_a_year(daily: DailyUse) -> YearUse:
    """Openings a year, from the days of which 0.8 or more were counted.

    Raises UseUnknownError below 180 such days, or below 0.6 of the record.
    """
    counted = daily.covered >= COVERED_SHARE - 1e-9
    days, record = int(counted.sum()), len(daily.day)
    asked = "per 10,000 openings"
    if days < FEWEST_COUNTED_DAYS:
        raise UseUnknownError(asked, f"{FEWEST_COUNTED_DAYS} counted days", f"{days}")
    if days < FEWEST_COUNTED_SHARE * record:
        needed = f"{FEWEST_COUNTED_SHARE:g} of the {record} days counted"
        raise UseUnknownError(asked, needed, f"{days / record:.2f}")
    spread = daily.count[counted & daily.tells_spread]
    if len(spread) < 2:  # a standard deviation is of two at least
        raise UseUnknownError(asked, "days counted within 24 hours", "spans longer than that alone")
    total, sd = year_total(daily.count[counted], record - days, spread=spread)
    whole = YEAR_DAYS / record
    return YearUse(
        total=total * whole,
        sd=sd * whole,
        counted_days=days,
        record_days=record,
        is_at_least=daily.is_at_least,
    )


def year_total(days: ArrayLike, missing: int, *, spread: FloatArray | None = None) -> tuple[float, float]:
    """All openings of counted `days` (n,) and of `missing` others like them, and the standard deviation.

    `spread`: those of the days that tell how much days differ; None: all.
    """
    counts = np.asarray(days, dtype=np.float64)
    if counts.ndim != 1 or len(counts) < 2 or missing < 0:
        raise OutOfRangeError("openings of a year", "2 counted days or more", f"{counts.shape}, {missing}")
    n, mean = len(counts), float(counts.mean())
    variance = float((counts if spread is None else spread).var(ddof=1))
    return n * mean + missing * mean, math.sqrt(variance * (missing + missing**2 / n))


def ten_thousands(daily: DailyUse, day: ArrayLike) -> FloatArray:
    """Openings up to and with each of `day`, in ten thousands: a column for a sum. Shape (days,).

    `day`: each one more than the last. One that was not counted, or lies outside the record, counts as the
    mean of those that were; one on which a counter fell back as what it told at least, if that is more.
    """
    asked = np.asarray(day, dtype=np.int64)
    counted = daily.covered >= COVERED_SHARE - 1e-9
    mean = float(daily.count[counted].mean())
    known = np.where(counted, daily.count, np.maximum(daily.count, mean))
    whole = np.full(len(asked), mean)
    inside = (asked >= daily.day[0]) & (asked <= daily.day[-1])
    whole[inside] = known[asked[inside] - daily.day[0]]
    return np.asarray(np.cumsum(whole) / PER_OPENINGS)


def per_10000(rate: float, half: float, year: float, sd: float) -> PerOpenings:
    """The yearly `rate` ± `half` per 10,000 openings, of which there are `year` ± `sd` (1 sigma) a year.

    To first order. Raises UseUnknownError where `sd` is over 0.15 of the total, or nothing was counted.
    """
    asked = "per 10,000 openings"
    if not year > 0:
        raise UseUnknownError(asked, "openings", f"{year:g} a year")
    share = sd / year
    if share > WIDEST_SHARE:
        raise UseUnknownError(asked, f"a year's total known to {WIDEST_SHARE:g} of it", f"{share:.2f}")
    size = year / PER_OPENINGS
    return PerOpenings(rate=rate / size, half=math.hypot(half / size, Z_95 * share * rate / size))


def said_of_use(*, by_year: str | None, by_openings: str | None, are_counted: bool) -> Said:
    """What the declared answer and the other one allow to be said of use.

    `by_year` and `by_openings` name the door said to turn more, None where no difference is told.
    """
    if not are_counted:
        return "not_counted"
    if by_year is None:
        return "nothing_told" if by_openings is None else "by_openings_only"
    return "not_by_use" if by_openings == by_year else "may_be_use"


def tells_openings_from_time(*, se_with: float, se_without: float) -> bool:
    """Whether a column of openings may enter: the rate's error grows to 4 times at most by it."""
    if not (se_with > 0 and se_without > 0):
        raise OutOfRangeError("column of openings", "errors above 0", f"{se_with:g} and {se_without:g}")
    return se_with / se_without <= WORST_RATIO


def slams(day: ArrayLike, peak_m_s2: ArrayLike) -> tuple[FloatArray, NDArray[np.int64], float]:
    """The greatest peak of each day, the count above the door's own level, and that level, in m/s².

    `day` (n,) counts from hanging, whole days, each with a peak or more; the level is the 99.5th percentile
    of days 14 to 104. The days of the first two results are the sorted distinct ones of `day`.

    Raises UseUnknownError when days 14 to 104 hold no peak.
    """
    days, peaks = np.asarray(day, dtype=np.int64), np.asarray(peak_m_s2, dtype=np.float64)
    level = slam_level(peaks[(days >= SLAM_DAYS[0]) & (days < SLAM_DAYS[1])])
    distinct, place = np.unique(days, return_inverse=True)
    greatest = np.full(len(distinct), -np.inf)
    np.maximum.at(greatest, place, peaks)
    return (
        greatest,
        np.bincount(place, weights=peaks > level, minlength=len(distinct)).astype(np.int64),
        level,
    )


def slam_level(early_m_s2: ArrayLike) -> float:
    """The door's own level in m/s²: the 99.5th percentile of its peaks of days 14 to 104, all of them (n,).

    Raises UseUnknownError without one.
    """
    early = np.asarray(early_m_s2, dtype=np.float64)
    if not len(early):
        raise UseUnknownError("slams", "peaks of days 14 to 104", "none")
    return float(np.percentile(early, SLAM_PERCENTILE))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cut:
    """Spans cut at the days' ends, each array (pieces,).

    A piece's day, its part of that day and its share of its span; its span's count, and whether that was
    counted, and whether so for over a day.
    """

    day: NDArray[np.int64]
    part: FloatArray
    share: FloatArray
    count: FloatArray
    is_counted: NDArray[np.bool_]
    is_long: NDArray[np.bool_]


def _cut_at_days(spans: Sequence[Span]) -> _Cut:
    start, end = (np.array([getattr(span, name) for span in spans]) for name in ("start", "end"))
    first = np.floor(start).astype(np.int64)
    pieces = np.ceil(end).astype(np.int64) - first
    of = np.repeat(np.arange(len(spans)), pieces)
    day = first[of] + np.arange(len(of)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    part = np.minimum(day + 1, end[of]) - np.maximum(day, start[of])
    is_counted = np.array([span.kind == "counted" for span in spans])
    return _Cut(
        day=day,
        part=part,
        share=part / (end - start)[of],
        count=np.array([float(span.count or 0) for span in spans])[of],
        is_counted=is_counted[of],
        is_long=(is_counted & (end - start > 1))[of],
    )


def _span(a: Reading, b: Reading) -> Span:
    if a.counter != b.counter:
        return Span(start=a.day, end=b.day, count=None, kind="other_counter")
    if b.count < a.count:
        return Span(start=a.day, end=b.day, count=b.count, kind="at_least")
    return Span(start=a.day, end=b.day, count=b.count - a.count, kind="counted")
