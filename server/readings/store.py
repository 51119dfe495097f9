"""Reading back: series of a channel, and its days, as numpy arrays."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import column, func, select, table
from sqlalchemy.orm import Session

from server.readings import clock_fixes, rezero
from server.readings.calibration import calibrate, versions_of
from server.readings.raw import rows_of
from server.readings.sent import at_right_times
from server.readings.tables import DayShut, Reading

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
    columns = ("day", "median", "n", "low", "high")
    found = _days(session, "day_shut", columns, channel_ids, (first_day, end_day))
    return {
        channel: DayMedians(day=day.astype(np.int64), median=median, n=n.astype(np.int64), low=low, high=high)
        for channel, (day, median, n, low, high) in found.items()
    }


def day_means(
    session: Session, channel_ids: Sequence[int], first_day: int, end_day: int
) -> dict[int, DayMeans]:
    """The days of [first_day, end_day) of each channel, all readings; empty arrays for one without any."""
    found = _days(session, "rollup_day", ("day", "mean", "n"), channel_ids, (first_day, end_day))
    return {
        channel: DayMeans(day=day.astype(np.int64), mean=mean, n=n.astype(np.int64))
        for channel, (day, mean, n) in found.items()
    }


def first_shut_day(session: Session, channel_ids: Sequence[int], first_day: int) -> int | None:
    """The first day, `first_day` or later, on which any of these channels has a reading, door shut."""
    day = DayShut.day
    found = [
        # one search in the key a channel
        session.scalar(select(day).where(DayShut.channel_id == one, day >= first_day).order_by(day).limit(1))
        for one in channel_ids
    ]
    return min((one for one in found if one is not None), default=None)


def heard(session: Session, channel_ids: Sequence[int]) -> tuple[int, int] | None:
    """Time, ms, of the first and the last reading of any of these channels; None without one.

    The times of a drifting clock are put right.
    """
    ends: list[int] = []
    for channel_id in channel_ids:
        # one search a side in the key; both in one query would read the channel whole
        of_channel = select(Reading.t_ms).where(Reading.channel_id == channel_id).limit(1)
        sent = [
            *session.scalars(of_channel.order_by(Reading.t_ms)),
            *session.scalars(of_channel.order_by(Reading.t_ms.desc())),
        ]
        ends += _right_ends(session, channel_id, sent)
    return (min(ends), max(ends)) if ends else None


def _right_ends(session: Session, channel_id: int, sent: Sequence[int]) -> list[int]:
    """First and last time of a channel put right, of those as sent; none of none."""
    fixes = clock_fixes.fixes_of_channel(session.connection(), channel_id)
    if not sent or fixes is None:
        return list(sent)
    margin_ms = fixes.margin_ms
    # a correction moves a time by the margin at most, so that no other reading can come to lie outside these
    found: list[int] = []
    for begin, end in ((sent[0], sent[0] + 2 * margin_ms), (sent[1] - 2 * margin_ms, sent[1])):
        ms, _ = at_right_times(session, channel_id, begin - margin_ms, end + margin_ms + 1)
        found += ms[[0, -1]].tolist()
    return found


def count(session: Session) -> int:
    """How many readings are stored."""
    return session.execute(select(func.count()).select_from(Reading)).scalar_one()


def _days(
    session: Session,
    table_name: str,
    columns: Sequence[str],
    channel_ids: Sequence[int],
    days: tuple[int, int],
) -> dict[int, list[Floats]]:
    """Columns of the days of [days[0], days[1]) of each channel, in order; in the driver's own words."""
    if not channel_ids:
        return {}
    connection = session.connection()
    mark = "%s" if connection.dialect.name == "postgresql" else "?"
    statement = (
        f"SELECT channel_id, {', '.join(columns)} FROM {table_name} "  # noqa: S608  (names of our own)
        f"WHERE channel_id IN ({', '.join([mark] * len(channel_ids))}) AND day >= {mark} AND day < {mark} "
        "ORDER BY channel_id, day"
    )
    return _by_channel(rows_of(connection, statement, (*channel_ids, *days)), channel_ids, len(columns))


def _by_channel(rows: Sequence[Any], channel_ids: Sequence[int], width: int) -> dict[int, list[Floats]]:
    """The columns of each channel's rows, in order; `rows` begin with the channel and are ordered by it."""
    # day numbers and counts are far below 2**53, so doubles carry them exactly
    flat = np.fromiter(chain.from_iterable(rows), np.float64, (width + 1) * len(rows))
    flat = flat.reshape(len(rows), width + 1)
    begins, ends = (np.searchsorted(flat[:, 0], channel_ids, side) for side in ("left", "right"))
    return {
        channel: [flat[begin:end, 1 + place] for place in range(width)]
        for channel, begin, end in zip(channel_ids, begins.tolist(), ends.tolist(), strict=True)
    }
