"""Electronic zero: what a node's fixed pair of resistors says of its converter, every 14 days.

Source: the sensors' page on calibration, "Electronic re-zero every 14 days": r' = r - shift 4 r (1 - r).
"""

from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import column, delete, insert, select, table
from sqlalchemy.orm import Session

from server.readings.sent import at_right_times
from server.readings.tables import RefWindow
from server.readings.write import DAY_MS, mark_dirty

Whole = NDArray[np.int64]
Floats = NDArray[np.float64]
CHANNEL = table("channel", column("id"), column("unit"), column("quantity"), column("node_id"))
WINDOW_DAYS = 14  # windows are counted from 1970, so that late readings move none of them
WINDOW_MS = WINDOW_DAYS * DAY_MS
FEWEST = 48  # readings; the median of fewer is not known to within NOISE
NOISE, MOST = 3e-5, 5e-4  # smaller is no shift, larger is a fault and no drift
NOT_CORRECTED = ("ref", "shut")


def used_shifts(session: Session, ref_channel: int) -> dict[int, float]:
    """Of each window of 14 days the shift that corrects its readings, where there is one."""
    return {
        window: shift for window, shift in shifts(session, ref_channel).items() if NOISE <= abs(shift) <= MOST
    }


def shifts(session: Session, ref_channel: int) -> dict[int, float]:
    """Of each window the change of the resistors' ratio against the first window. Beyond MOST is a fault."""
    chosen = (RefWindow.channel_id == ref_channel) & (RefWindow.n >= FEWEST)
    rows = session.execute(
        select(RefWindow.fortnight, RefWindow.median).where(chosen).order_by(RefWindow.fortnight)
    ).all()
    return {window: median - rows[0][1] for window, median in rows}


def put_right(session: Session, channel_id: int, ms: Whole, raw: Floats) -> Floats:
    """Ratios of a potentiometer, shape (n,), less what its converter has shifted; others as they are."""
    ref_channel = _ref_of(session, channel_id)
    used = {} if ref_channel is None else used_shifts(session, ref_channel)
    return shifted(ms, raw, used)


def shifted(ms: Whole, raw: Floats, used: Mapping[int, float]) -> Floats:
    """Ratios at moments, shape (n,), corrected by the shift of each window."""
    if not used or not len(ms):
        return raw
    window, place = np.unique(ms // WINDOW_MS, return_inverse=True)
    shift = np.array([used.get(one, 0.0) for one in window.tolist()])[place]
    right: Floats = raw - shift * 4.0 * raw * (1.0 - raw)
    return right


def renew(session: Session, ref_channel: int, days: Iterable[int], *, touched_ms: int) -> None:
    """Take the medians of these days' windows anew, and mark what is read otherwise because of it."""
    before = used_shifts(session, ref_channel)
    for window in sorted({day // WINDOW_DAYS for day in days}):
        _renew(session, ref_channel, window)
    after = used_shifts(session, ref_channel)
    changed = {window for window in before.keys() | after.keys() if before.get(window) != after.get(window)}
    if changed:
        marked = [
            (channel, day)
            for channel in _potentiometers(session, ref_channel)
            for window in changed
            for day in range(window * WINDOW_DAYS, (window + 1) * WINDOW_DAYS)
        ]
        mark_dirty(session.connection(), marked, touched_ms=touched_ms)


def _renew(session: Session, ref_channel: int, window: int) -> None:
    _, told = at_right_times(session, ref_channel, window * WINDOW_MS, (window + 1) * WINDOW_MS)
    this = (RefWindow.channel_id == ref_channel) & (RefWindow.fortnight == window)
    session.execute(delete(RefWindow).where(this))
    if len(told):
        row = {"channel_id": ref_channel, "fortnight": window, "n": len(told)}
        session.execute(insert(RefWindow), [{**row, "median": float(np.median(told))}])


def _ref_of(session: Session, channel_id: int) -> int | None:
    own, ref = CHANNEL.alias("own"), CHANNEL.alias("ref")
    is_potentiometer = (own.c.unit == "/") & own.c.quantity.not_in(NOT_CORRECTED)
    found = (
        select(ref.c.id)
        .join(own, own.c.node_id == ref.c.node_id)
        .where((own.c.id == channel_id) & is_potentiometer & (ref.c.quantity == "ref"))
        .order_by(ref.c.id)
        .limit(1)
    )
    return session.execute(found).scalar()


def _potentiometers(session: Session, ref_channel: int) -> list[int]:
    own, ref = CHANNEL.alias("own"), CHANNEL.alias("ref")
    is_potentiometer = (own.c.unit == "/") & own.c.quantity.not_in(NOT_CORRECTED)
    chosen = (
        select(own.c.id)
        .join(ref, ref.c.node_id == own.c.node_id)
        .where((ref.c.id == ref_channel) & is_potentiometer)
    )
    return list(session.execute(chosen).scalars())
