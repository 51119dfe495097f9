"""Thinning: years back, hourly means in the place of the readings, for those who must."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, delete, select
from sqlalchemy.orm import Session

from server.readings import clock_fixes
from server.readings.raw import rows_of
from server.readings.sent import as_sent
from server.readings.store import CHANNEL
from server.readings.tables import Reading
from server.readings.write import Batch, insert_new

HOUR_MS = 3_600_000
MIDDLE_MS = HOUR_MS // 2 - 1  # a moment at which nothing is sampled on purpose
# of marks nothing is asked here but how far back readings were thinned; the table is another subject's
KIND = "thinned"
_BEFORE = f"SELECT max(t_ms) FROM event_mark WHERE kind = '{KIND}'"  # noqa: S608  (a word of our own)


@dataclass(frozen=True, slots=True, kw_only=True)
class Thinned:
    """How many readings went, and how many hourly means came."""

    readings: int = 0
    means: int = 0


def thinned_before_ms(connection: Connection) -> int | None:
    """Before when readings are hourly means; None where nothing was thinned."""
    ((before_ms,),) = rows_of(connection, _BEFORE)
    return None if before_ms is None else int(before_ms)


def thin_channel(session: Session, channel_id: int, *, before_ms: int) -> Thinned:
    """Put hourly means in the place of a channel's readings from before a moment, a whole hour.

    A mean stands in the middle of its hour. Of a channel that tells whether the door is shut an hour is shut
    when every reading of it is. Done twice it changes nothing; the rollups stay as they are.
    """
    connection = session.connection()
    ms, sent = as_sent(session, channel_id, 0, before_ms)
    if not len(ms):
        return Thinned()
    fixes = clock_fixes.fixes_of_channel(connection, channel_id)
    right = ms if fixes is None else clock_fixes.put_right(connection, fixes, ms)
    quantity = session.execute(select(CHANNEL.c.quantity).where(CHANNEL.c.id == channel_id)).scalar()
    order = np.argsort(right, kind="stable")
    moments, value = hourly(right[order], sent[order], is_shut=quantity == "shut")
    rows = [(channel_id, ms, one) for ms, one in zip(moments.tolist(), value.tolist(), strict=True)]
    gone = connection.execute(
        delete(Reading).where((Reading.channel_id == channel_id) & (Reading.t_ms < before_ms))
    ).rowcount
    insert_new(connection, Batch(readings=rows, instants=()))
    return Thinned(readings=gone, means=len(rows))


def hourly(
    ms: NDArray[np.int64], value: NDArray[np.float64], *, is_shut: bool
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Readings in order of time, shape (n,), n at least 1: the middle of each hour, and its mean.

    With `is_shut` 1 for an hour of ones alone, else 0.
    """
    hour = ms // HOUR_MS
    starts = np.flatnonzero(np.diff(hour, prepend=hour[0] - 1))
    moments: NDArray[np.int64] = hour[starts] * HOUR_MS + MIDDLE_MS
    if is_shut:
        return moments, np.minimum.reduceat((value == 1.0).astype(np.float64), starts)
    return moments, np.add.reduceat(value, starts) / np.diff(starts, append=len(hour))
