"""Whether the rollups are what their readings say, by rolling up once more and comparing."""

import math
from collections.abc import Mapping, Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from sensors.message.statement import spans_of
from server.readings import rezero, store
from server.readings.calibration import Version, calibrate, versions_of
from server.readings.rollup import rolled
from server.readings.store import CHANNEL
from server.readings.tables import DirtyDay, Reading, RollupDay
from server.readings.write import DAY_MS

CLOSE = 1e-12  # of sums over a day's values, relative
TOGETHER = 100  # days read at once
CLOSE_TO = ("mean", "m2")
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


def wrong_days(session: Session, channel_id: int, days: Sequence[int]) -> list[int]:
    """Of some days of a channel, ascending, those whose rollup is other than their readings say."""
    unit = session.execute(select(CHANNEL.c.unit).where(CHANNEL.c.id == channel_id)).scalar()
    versions = versions_of(session, channel_id, str(unit or ""))
    wrong: list[int] = []
    for begin in range(0, len(days), TOGETHER):
        some = days[begin : begin + TOGETHER]
        stored = _stored(session, channel_id, some)
        for first, last in spans_of(some):
            made = _made(session, channel_id, versions, first, last)
            run = range(first, last + 1)
            wrong += [day for day in run if not _is_same(made.get(day), stored.get(day))]
    return wrong


def _made(
    session: Session, channel_id: int, versions: Sequence[Version], first: int, last: int
) -> dict[int, dict[str, float]]:
    """A run of days rolled up once more."""
    sent = store.raw(session, channel_id, first * DAY_MS, (last + 1) * DAY_MS)
    raw = rezero.put_right(session, channel_id, sent.ms, sent.value)
    value, known = calibrate(versions, sent.ms, raw)
    if not known.any():
        return {}
    found = rolled(sent.ms[known] // DAY_MS, sent.ms[known], value.value[known])
    columns = {name: getattr(found, name).tolist() for name in (*EXACT, *CLOSE_TO)}
    return {
        day: {name: column[place] for name, column in columns.items()}
        for place, day in enumerate(found.span.tolist())
    }


def _stored(session: Session, channel_id: int, days: Sequence[int]) -> dict[int, dict[str, float]]:
    names = (*EXACT, *CLOSE_TO)
    chosen = (RollupDay.channel_id == channel_id) & RollupDay.day.between(days[0], days[-1])
    rows = session.execute(select(RollupDay.day, *(getattr(RollupDay, name) for name in names)).where(chosen))
    return {day: dict(zip(names, row, strict=True)) for day, *row in rows}


def _is_same(made: Mapping[str, float] | None, stored: Mapping[str, float] | None) -> bool:
    if made is None or stored is None:
        return made is stored
    scale = max(abs(made["low"]), abs(made["high"]))
    slack = {"mean": CLOSE * scale, "m2": CLOSE * scale * scale * made["n"]}
    exact = all(made[name] == stored[name] for name in EXACT)
    return exact and all(
        math.isclose(made[name], stored[name], rel_tol=CLOSE, abs_tol=slack[name]) for name in CLOSE_TO
    )
