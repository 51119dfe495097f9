"""How a door is used: its counter's readings as days and years of openings, and its hardest slams."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sqlalchemy.orm import Session

from server.doors.register import ChannelRef, DoorHung
from server.readings import store
from server.trend.trial_use import (
    DailyUse,
    Reading,
    UseUnknownError,
    YearUse,
    openings,
    slams,
    spans_of,
    use_a_year,
)

COUNTER, PEAKS = "openings", "slam"
DAY_MS = 86_400_000
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Slams:
    """Days since 1970 with a peak, the greatest of each, m/s², and how many lay above the door's own level.

    `count` is None before its days 14 to 104 have been heard: the level is theirs. A peak at the meter's
    range is at least that; peaks of unlike meters or places are not to be compared.
    """

    day: IntArray
    greatest_m_s2: NDArray[np.float64]
    count: IntArray | None


@dataclass(frozen=True, slots=True, kw_only=True)
class UseSeen:
    """A door's use over the days asked for: openings a day so far, and its hardest slam with its day.

    `bouncing_days`: on so many a counter told more openings than a door has; they are counted all the same.
    """

    openings_a_day: float | None
    is_at_least: bool
    hardest_m_s2: float | None
    hardest_day: int | None
    bouncing_days: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class CountedUse:
    """A door's openings: of each day since 1970, and a year."""

    daily: DailyUse
    year: YearUse


def is_counted(door: DoorHung) -> bool:
    """Whether a counter of openings is on the door now."""
    return any(one.kind == COUNTER for one in door.channels.values())


def daily_use(session: Session, door: DoorHung, from_day: int, to_day: int) -> DailyUse | None:
    """Openings of the days of [from_day, to_day) since 1970; None without two readings of a counter.

    Each channel that was ever its counter is one of its own: two are never subtracted.
    """
    readings: list[Reading] = []
    for channel in channels_of(door, COUNTER):
        found = store.series(session, channel.id, from_day * DAY_MS, to_day * DAY_MS)
        readings += _needed(found.ms, found.value, str(channel.id))
    spans = spans_of(sorted(readings, key=lambda one: one.day))
    return openings(spans) if spans else None


def use_between(session: Session, door: DoorHung, from_day: int, to_day: int) -> CountedUse | None:
    """Openings by day and a year, from those days; None where too few were counted, or none opened it."""
    daily = daily_use(session, door, from_day, to_day)
    try:
        year = None if daily is None else use_a_year(daily)
    except UseUnknownError:
        return None
    return None if daily is None or year is None or year.total <= 0 else CountedUse(daily=daily, year=year)


def openings_a_year(session: Session, door: DoorHung, from_day: int, to_day: int) -> float | None:
    """Openings a year between two days since 1970; None where too few were counted, or none opened it."""
    counted = use_between(session, door, from_day, to_day)
    return None if counted is None else counted.year.total


def daily_slams(session: Session, door: DoorHung, from_day: int, to_day: int) -> Slams | None:
    """The greatest peak of each day of [from_day, to_day) since 1970; None without one."""
    parts = [
        store.series(session, channel.id, from_day * DAY_MS, to_day * DAY_MS)
        for channel in channels_of(door, PEAKS)
    ]
    ms = np.concatenate([np.zeros(0, np.int64), *(one.ms for one in parts)])
    if not ms.size:
        return None
    peaks = np.concatenate([one.value for one in parts])
    day = ms // DAY_MS
    hung_day = int(door.hung.timestamp() * 1000) // DAY_MS
    distinct = np.unique(day)
    try:
        greatest, count, _level = slams(day - hung_day, peaks)
        return Slams(day=distinct, greatest_m_s2=greatest, count=count)
    except UseUnknownError:
        greatest = np.array([peaks[day == one].max() for one in distinct])
        return Slams(day=distinct, greatest_m_s2=greatest, count=None)


def use_seen(session: Session, door: DoorHung, from_day: int, to_day: int) -> UseSeen | None:
    """What a page says of a door's use in those days; None for a door with neither counter nor meter."""
    if not (channels_of(door, COUNTER) or channels_of(door, PEAKS)):
        return None
    daily, peaks = (made(session, door, from_day, to_day) for made in (daily_use, daily_slams))
    a_day = None
    if isinstance(daily, DailyUse) and daily.covered.sum() >= 1:
        a_day = float((daily.count * (daily.covered > 0)).sum() / daily.covered.sum())
    hardest = int(np.argmax(peaks.greatest_m_s2)) if isinstance(peaks, Slams) else None
    return UseSeen(
        openings_a_day=a_day,
        is_at_least=isinstance(daily, DailyUse) and daily.is_at_least,
        hardest_m_s2=None if hardest is None else float(peaks.greatest_m_s2[hardest]),  # type: ignore[union-attr]  # a place among them
        hardest_day=None if hardest is None else int(peaks.day[hardest]),  # type: ignore[union-attr]  # as above
        bouncing_days=daily.bouncing.size if isinstance(daily, DailyUse) else 0,
    )


def channels_of(door: DoorHung, kind: str) -> list[ChannelRef]:
    """Every channel of a kind that is or was on the door."""
    return [one for one in (*door.past_channels.values(), *door.channels.values()) if one.kind == kind]


def _needed(ms: IntArray, value: NDArray[np.float64], counter: str) -> list[Reading]:
    """The readings that the days' counts rest on: the first and last of each day, and both about a fall.

    What lies between them is on one day and was counted upwards: leaving it out changes no day's count.
    """
    if not ms.size:
        return []
    day = ms // DAY_MS
    keep = np.zeros(ms.size, dtype=bool)
    keep[[0, -1]] = True
    turn = np.flatnonzero((np.diff(day) != 0) | (np.diff(value) < 0))
    keep[turn] = keep[turn + 1] = True
    return [
        Reading(day=at / DAY_MS, count=round(shown), counter=counter)
        for at, shown in zip(ms[keep].tolist(), value[keep].tolist(), strict=True)
    ]
