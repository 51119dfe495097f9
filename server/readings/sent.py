"""Readings as they were sent, by time: the keys' own, or that of a drifting clock put right."""

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from server.readings import clock_fixes
from server.readings.tables import Reading

Whole = NDArray[np.int64]
Floats = NDArray[np.float64]


def as_sent(session: Session, channel_id: int, start_ms: int, end_ms: int) -> tuple[Whole, Floats]:
    """Times as sent that lie in [start_ms, end_ms), and values; shape (n,) each, in order of time."""
    chosen = (Reading.channel_id == channel_id) & (Reading.t_ms >= start_ms) & (Reading.t_ms < end_ms)
    rows = session.execute(select(Reading.t_ms, Reading.value).where(chosen).order_by(Reading.t_ms)).all()
    # times in ms are far below 2**53, so doubles carry them exactly
    flat = np.array([tuple(row) for row in rows], dtype=np.float64).reshape(len(rows), 2)
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
