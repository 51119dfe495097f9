"""A door's use put in by hand: so many openings on each day."""

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike
from sqlalchemy import insert
from sqlalchemy.orm import Session

from server.doors.built import Gauge
from server.doors.register import DoorHung
from server.inspection.use import CountedUse
from server.readings.months import ensure_months
from server.readings.tables import Reading
from server.trend.trial_use import DailyUse, use_a_year

DAY_MS = 86_400_000
COUNTER = Gauge(channel="openings", kind="openings", unit="count")


def counted(
    a_day: ArrayLike, *, first: int = 18_000, days: int = 400, is_at_least: bool = False
) -> CountedUse:
    """Days since 1970 from `first` on, each with its openings, all of them counted."""
    count = np.broadcast_to(np.asarray(a_day, dtype=np.float64), (days,)).copy()
    daily = DailyUse(
        day=np.arange(first, first + days),
        count=count,
        covered=np.ones(days),
        tells_spread=np.ones(days, dtype=bool),
        is_at_least=is_at_least,
    )
    return CountedUse(daily=daily, year=use_a_year(daily))


def with_counter(door: DoorHung) -> DoorHung:
    """The same door with a counter of openings."""
    return replace(door, built=replace(door.built, gauges=(*door.built.gauges, COUNTER)))


def store_openings(session: Session, door: DoorHung, a_day: float, days: int) -> None:
    """Readings of its counter from the day of hanging on, two a day: so many openings, each day alike."""
    first = int(door.hung.timestamp() * 1000) // DAY_MS
    ensure_months(
        session.get_bind().engine, [(first + day) * DAY_MS for day in range(0, days + 20, 20)], set()
    )
    channel = door.channels["openings"].id
    rows = [
        {"channel_id": channel, "t_ms": first * DAY_MS + k * DAY_MS // 2, "value": round(a_day * k / 2)}
        for k in range(2 * days)
    ]
    session.execute(insert(Reading), rows)
