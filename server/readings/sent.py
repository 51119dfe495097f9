"""Readings as they were sent, by time: the keys' own, or that of a drifting clock put right."""

from itertools import chain

import numpy as np
from numpy.typing import NDArray
from sqlalchemy.orm import Session

from server.readings import clock_fixes
from server.readings.raw import rows_of

Whole = NDArray[np.int64]
Floats = NDArray[np.float64]
_SENT = {  # tens of thousands of rows: in the driver's own words
    name: f"SELECT t_ms, value FROM reading WHERE channel_id = {mark} AND t_ms >= {mark} AND t_ms < {mark} "  # noqa: S608  (marks alone)
    "ORDER BY t_ms"
    for name, mark in (("sqlite", "?"), ("postgresql", "%s"))
}


def as_sent(session: Session, channel_id: int, start_ms: int, end_ms: int) -> tuple[Whole, Floats]:
    """Times as sent that lie in [start_ms, end_ms), and values; shape (n,) each, in order of time."""
    connection = session.connection()
    rows = rows_of(connection, _SENT[connection.dialect.name], (channel_id, start_ms, end_ms))
    # times in ms are far below 2**53, so doubles carry them exactly
    flat = np.fromiter(chain.from_iterable(rows), np.float64, 2 * len(rows)).reshape(len(rows), 2)
    return flat[:, 0].astype(np.int64), flat[:, 1]


def at_right_times(session: Session, channel_id: int, start_ms: int, end_ms: int) -> tuple[Whole, Floats]:
    """Right times that lie in [start_ms, end_ms), and values as sent; shape (n,) each, in order of time."""
    fixes = clock_fixes.fixes_of_channel(session.connection(), channel_id)
    if fixes is None:
        return as_sent(session, channel_id, start_ms, end_ms)
    # what a correction moves into the span may lie outside it as sent, by as much as any correction moves
    margin_ms = fixes.margin_ms
    ms, value = as_sent(session, channel_id, start_ms - margin_ms, end_ms + margin_ms)
    right = clock_fixes.put_right(session.connection(), fixes, ms)
    order = np.argsort(right, kind="stable")
    order = order[(right[order] >= start_ms) & (right[order] < end_ms)]
    return right[order], value[order]
