"""Times of a drifting clock, put right when read back: keys keep the time as sent.

Source: the wire's rule for `clk`; the first correction of an instant stands.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, column, select, table, text

from sensors.message.clock import Fix
from server.readings.tables import ClockFix, Instant, Journal
from server.readings.write import DAY_MS, Row, mark_dirty

Whole = NDArray[np.int64]
# of a channel nothing is asked here but its node; the table itself is another subject's
CHANNEL = table("channel", column("id"), column("node_id"))
IS_DRIFT = text("instant.clock = 1")  # spelled out, as the index of these instants has it
EXACT = 2**62  # a product beyond it does not fit whole numbers of 64 bits


@dataclass(frozen=True, slots=True, kw_only=True)
class Fixes:
    """The corrections of a node that hold, oldest first; `margin_ms`: no time moves by more."""

    node_id: int
    fixes: tuple[Fix, ...]

    @property
    def margin_ms(self) -> int:
        """The furthest that a time is moved, either way."""
        return max((abs(off_ms) for _, _, off_ms in self.fixes), default=0)


def fixes_of_channel(connection: Connection, channel_id: int) -> Fixes | None:
    """The corrections of a channel's node; None where there are none."""
    columns = (Journal.node_id, ClockFix.t0_ms, ClockFix.t1_ms, ClockFix.off_ms)
    chosen = (CHANNEL.c.id == channel_id) & _HOLDS
    rows = connection.execute(
        select(*columns)
        .join(Journal, Journal.id == ClockFix.journal_id)
        .join(CHANNEL, CHANNEL.c.node_id == Journal.node_id)
        .where(chosen)
        .order_by(ClockFix.id)
    ).all()
    if not rows:
        return None
    return Fixes(node_id=rows[0][0], fixes=tuple((t0, t1, off) for _, t0, t1, off in rows))


def fixes_of_node(connection: Connection, node_id: int) -> Fixes:
    """The corrections of a node."""
    columns = (ClockFix.t0_ms, ClockFix.t1_ms, ClockFix.off_ms)
    rows = connection.execute(
        select(*columns)
        .join(Journal, Journal.id == ClockFix.journal_id)
        .where((Journal.node_id == node_id) & _HOLDS)
        .order_by(ClockFix.id)
    )
    return Fixes(node_id=node_id, fixes=tuple((t0, t1, off) for t0, t1, off in rows))


_HOLDS = (ClockFix.suspect == 0) & (ClockFix.t1_ms > ClockFix.t0_ms)


def put_right(connection: Connection, found: Fixes, ms: Whole) -> Whole:
    """Times as sent, shape (n,) and ascending, put right where their instants came of a drifting clock."""
    if not len(ms):
        return ms
    low, high = int(ms[0]), int(ms[-1])
    fixes = [fix for fix in found.fixes if fix[0] <= high and fix[1] >= low]
    if not fixes:
        return ms
    drifting = np.isin(ms, _drifting_ms(connection, found.node_id, low, high))
    return moved(ms, drifting, fixes)


def moved(ms: Whole, drifting: NDArray[np.bool_], fixes: Sequence[Fix]) -> Whole:
    """Times put right where `drifting`, each by the first of the corrections that holds for it."""
    right, waits = ms.copy(), drifting.copy()
    for fix in fixes:
        here = waits & (ms >= fix[0]) & (ms <= fix[1])
        right[here] += _shift(ms[here], fix)
        waits &= ~here
    return right


def days_of(connection: Connection, node_id: int, readings: Sequence[Row]) -> set[tuple[int, int]]:
    """The (channel, day) pairs to which readings of a drifting clock belong once their times are right."""
    fixes = fixes_of_node(connection, node_id).fixes
    if not readings or not fixes:
        return set()
    ms = np.array([t_ms for _, t_ms, _ in readings], dtype=np.int64)
    right = moved(ms, np.ones(ms.shape, dtype=np.bool_), fixes)
    channels = [channel for channel, _, _ in readings]
    return set(zip(channels, (right // DAY_MS).tolist(), strict=True))


def mark_days(connection: Connection, node_id: int, fix: Fix, *, touched_ms: int) -> None:
    """Mark the days that a correction takes readings from, and those that it moves them to."""
    t0_ms, t1_ms, _ = fix
    if t1_ms <= t0_ms:
        return
    ms = _drifting_ms(connection, node_id, t0_ms, t1_ms)
    days = set((ms // DAY_MS).tolist()) | set(((ms + _shift(ms, fix)) // DAY_MS).tolist())
    channels = connection.execute(select(CHANNEL.c.id).where(CHANNEL.c.node_id == node_id)).scalars().all()
    mark_dirty(connection, [(channel, day) for channel in channels for day in days], touched_ms=touched_ms)


def _shift(ms: Whole, fix: Fix) -> Whole:
    """By how much times of [t0, t1] move: the product first, and down."""
    t0_ms, t1_ms, off_ms = fix
    span = t1_ms - t0_ms
    if abs(off_ms) * span < EXACT:
        found: Whole = off_ms * (ms - t0_ms) // span
        return found
    return np.array([off_ms * (one - t0_ms) // span for one in ms.tolist()], dtype=np.int64)


def _drifting_ms(connection: Connection, node_id: int, low: int, high: int) -> Whole:
    rows = connection.execute(
        select(Instant.t_ms)
        .join(Journal, Journal.id == Instant.journal_id)
        .where((Journal.node_id == node_id) & IS_DRIFT & Instant.t_ms.between(low, high))
        .order_by(Instant.t_ms)
    )
    return np.array(rows.scalars().all(), dtype=np.int64)
