"""Whether the rollups are what their readings say, by rolling up once more and comparing."""

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from server.readings import rezero, store
from server.readings.calibration import calibrate, versions_of
from server.readings.rollup import rolled
from server.readings.store import CHANNEL
from server.readings.tables import DirtyDay, Reading, RollupDay
from server.readings.write import DAY_MS

CLOSE = 1e-12  # of sums over a day's values, relative
EXACT = ("n", "low", "high", "first_ms", "last_ms")


def channels_with_readings(session: Session) -> list[int]:
    """Each channel that has readings, by one search in the key a channel."""
    found: list[int] = []
    chosen = select(Reading.channel_id).order_by(Reading.channel_id).limit(1)
    last = session.scalar(chosen)
    while last is not None:
        found.append(last)
        last = session.scalar(chosen.where(Reading.channel_id > last))
    return found


def channels_gone(session: Session) -> list[int]:
    """Channels that have readings and are not enrolled: no key of the table forbids it."""
    known = set(session.scalars(select(CHANNEL.c.id)))
    return [channel for channel in channels_with_readings(session) if channel not in known]


def days_to_check(session: Session, channel_id: int) -> list[int]:
    """The days of a channel that have readings or a rollup, and do not wait to be rolled up."""
    day = (Reading.t_ms - Reading.t_ms % DAY_MS) // DAY_MS
    sent = session.scalars(select(day).where(Reading.channel_id == channel_id).distinct())
    rolled_up = session.scalars(select(RollupDay.day).where(RollupDay.channel_id == channel_id))
    waiting = session.scalars(select(DirtyDay.day).where(DirtyDay.channel_id == channel_id))
    return sorted((set(sent) | set(rolled_up)) - set(waiting))


def differs(session: Session, channel_id: int, day: int) -> bool:
    """Whether a day's rollup is other than its readings say."""
    unit = session.execute(select(CHANNEL.c.unit).where(CHANNEL.c.id == channel_id)).scalar()
    sent = store.raw(session, channel_id, day * DAY_MS, (day + 1) * DAY_MS)
    raw = rezero.put_right(session, channel_id, sent.ms, sent.value)
    made, known = calibrate(versions_of(session, channel_id, str(unit or "")), sent.ms, raw)
    chosen = (RollupDay.channel_id == channel_id) & (RollupDay.day == day)
    stored = session.execute(select(RollupDay).where(chosen)).scalar()
    if not known.any():
        return stored is not None
    if stored is None:
        return True
    found = rolled(sent.ms[known] // DAY_MS, sent.ms[known], made.value[known])
    same = all(getattr(found, name)[0] == getattr(stored, name) for name in EXACT)
    sums = np.array([found.mean[0], found.m2[0]]), np.array([stored.mean, stored.m2])
    scale = max(1e-300, float(np.abs(made.value[known]).max()))
    return not (same and np.allclose(*sums, rtol=CLOSE, atol=CLOSE * scale))
