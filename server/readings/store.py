"""Reading back: series of a channel, and its days, as numpy arrays."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import column, func, select, table
from sqlalchemy.orm import Session

from server.readings import rezero
from server.readings.calibration import calibrate, versions_of
from server.readings.sent import at_right_times
from server.readings.tables import DayShut, Reading, RollupDay

Whole = NDArray[np.int64]
Floats = NDArray[np.float64]
# of a channel nothing is asked here but its unit and its door; the table itself is another subject's
CHANNEL = table("channel", column("id"), column("unit"), column("door_id"), column("quantity"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Readings of a channel in order of time, each array of shape (n,).

    beyond: the reading lies outside the calibrated span widened by a tenth.
    """

    ms: Whole
    value: Floats
    beyond: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class DayMedians:
    """Days of a channel, door shut: day number since 1970, calibrated median, low and high; n readings."""

    day: Whole
    median: Floats
    n: Whole
    low: Floats
    high: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class DayMeans:
    """Days of a channel: day number since 1970, calibrated mean, n readings."""

    day: Whole
    mean: Floats
    n: Whole


def raw(session: Session, channel_id: int, start_ms: int, end_ms: int) -> Series:
    """Readings of [start_ms, end_ms), values as sent; the times of a drifting clock are put right."""
    ms, value = at_right_times(session, channel_id, start_ms, end_ms)
    return Series(ms=ms, value=value, beyond=np.zeros(len(ms), dtype=np.bool_))


def series(session: Session, channel_id: int, start_ms: int, end_ms: int) -> Series:
    """Readings of [start_ms, end_ms), calibrated; those from before the first calibration are left out."""
    ms, sent = at_right_times(session, channel_id, start_ms, end_ms)
    unit = session.execute(select(CHANNEL.c.unit).where(CHANNEL.c.id == channel_id)).scalar()
    right = rezero.put_right(session, channel_id, ms, sent)
    made, known = calibrate(versions_of(session, channel_id, str(unit)), ms, right)
    return Series(ms=ms[known], value=made.value[known], beyond=made.beyond[known])


def day_medians(
    session: Session, channel_ids: Sequence[int], first_day: int, end_day: int
) -> dict[int, DayMedians]:
    """The days of [first_day, end_day) of each channel, door shut; empty arrays for one without any."""
    columns = (DayShut.day, DayShut.median, DayShut.n, DayShut.low, DayShut.high)
    chosen = DayShut.channel_id.in_(channel_ids) & (DayShut.day >= first_day) & (DayShut.day < end_day)
    rows = session.execute(
        select(DayShut.channel_id, *columns).where(chosen).order_by(DayShut.channel_id, DayShut.day)
    )
    found = _by_channel(rows.all(), channel_ids, 5)
    return {
        channel: DayMedians(day=day.astype(np.int64), median=median, n=n.astype(np.int64), low=low, high=high)
        for channel, (day, median, n, low, high) in found.items()
    }


def day_means(
    session: Session, channel_ids: Sequence[int], first_day: int, end_day: int
) -> dict[int, DayMeans]:
    """The days of [first_day, end_day) of each channel, all readings; empty arrays for one without any."""
    columns = (RollupDay.day, RollupDay.mean, RollupDay.n)
    chosen = RollupDay.channel_id.in_(channel_ids) & (RollupDay.day >= first_day) & (RollupDay.day < end_day)
    order = (RollupDay.channel_id, RollupDay.day)
    rows = session.execute(select(RollupDay.channel_id, *columns).where(chosen).order_by(*order))
    found = _by_channel(rows.all(), channel_ids, 3)
    return {
        channel: DayMeans(day=day.astype(np.int64), mean=mean, n=n.astype(np.int64))
        for channel, (day, mean, n) in found.items()
    }


def heard(session: Session, channel_ids: Sequence[int]) -> tuple[int, int] | None:
    """Time, ms, of the first and the last reading of any of these channels; None without one."""
    ends: list[int] = []
    for channel_id in channel_ids:
        # one search a side in the key; both in one query would read the channel whole
        of_channel = select(Reading.t_ms).where(Reading.channel_id == channel_id).limit(1)
        ends += session.scalars(of_channel.order_by(Reading.t_ms))
        ends += session.scalars(of_channel.order_by(Reading.t_ms.desc()))
    return (min(ends), max(ends)) if ends else None


def count(session: Session) -> int:
    """How many readings are stored."""
    return session.execute(select(func.count()).select_from(Reading)).scalar_one()


def _columns(rows: Sequence[Any], width: int) -> list[Floats]:
    # times in ms and day numbers are far below 2**53, so doubles carry them exactly
    flat = np.array([tuple(row) for row in rows], dtype=np.float64).reshape(len(rows), width)
    return [flat[:, place] for place in range(width)]


def _by_channel(rows: Sequence[Any], channel_ids: Sequence[int], width: int) -> dict[int, list[Floats]]:
    of_channel: dict[int, list[tuple[float, ...]]] = {channel: [] for channel in channel_ids}
    for channel, *rest in rows:
        of_channel[channel].append(tuple(rest))
    return {channel: _columns(found, width) for channel, found in of_channel.items()}
