"""Days, calibrated. A dirty day is recomputed whole from its readings, never added to."""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, Engine, case, delete, func, select, tuple_
from sqlalchemy.orm import Session

from sensors.message.statement import Span, spans_of
from server.readings import rezero, store
from server.readings.calibration import Version, calibrate, versions_of
from server.readings.store import CHANNEL
from server.readings.tables import DayShut, DirtyDay, RollupDay
from server.readings.write import DAY_MS, DAY_SHUT, NOTHING, ROLLUP_DAY, insert_rows, mark_dirty

MINUTE_MS = 60_000
SLICE = 100  # channel-days of one transaction: within 50 ms
Key = tuple[int, int]  # channel, day
Floats = NDArray[np.float64]
Whole = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rolled:
    """Of each span: its number, count, mean, sum of squared deviations from it, ends in value and in time."""

    span: Whole
    n: Whole
    mean: Floats
    m2: Floats
    low: Floats
    high: Floats
    first_ms: Whole
    last_ms: Whole


def rolled(span: Whole, ms: Whole, value: Floats) -> Rolled:
    """Readings in order of time, shape (n,) each, n at least 1, by span. Two passes, so m2 is sound."""
    starts, n = _groups(span)
    mean = np.add.reduceat(value, starts) / n
    return Rolled(
        span=span[starts],
        n=n,
        mean=mean,
        m2=np.add.reduceat((value - np.repeat(mean, n)) ** 2, starts),
        low=np.minimum.reduceat(value, starts),
        high=np.maximum.reduceat(value, starts),
        first_ms=ms[starts],
        last_ms=ms[starts + n - 1],
    )


def medians(span: Whole, value: Floats) -> tuple[Whole, Floats]:
    """Each span, ascending, and the median of its values; shape (n,) each, n at least 1."""
    inside = value[np.lexsort((value, span))]
    starts, n = _groups(span)
    return span[starts], (inside[starts + (n - 1) // 2] + inside[starts + n // 2]) / 2


def _groups(span: Whole) -> tuple[Whole, Whole]:
    """First index and size of each run of equal numbers; `span` is ascending."""
    starts = np.flatnonzero(np.diff(span, prepend=span[0] - 1))
    return starts, np.diff(starts, append=len(span))


def recompute(
    engine: Engine,
    *,
    budget_s: float,
    now_ms: int,
    monotonic: Callable[[], float] = time.monotonic,
) -> int:
    """Roll up dirty days, longest untouched first, until none is left or time is up.

    Gives how many are left. `now_ms` stamps the days that a shut mark touches in turn.
    """
    end = monotonic() + budget_s
    # one look without the right to write, so that an idle service does not hold up other writers
    while left := dirty_days(engine):
        if monotonic() >= end:
            return left
        with Session(engine.execution_options(immediate=True)) as session, session.begin():
            if not _recompute_some(session, now_ms):
                return left  # another transaction holds them; it marks them anew
    return 0


def recompute_all(engine: Engine, *, now_ms: int = 0) -> None:
    """Roll up every dirty day but those that another transaction holds."""
    left = -1
    while left != (left := recompute(engine, budget_s=60.0, now_ms=now_ms)) and left:
        pass


def dirty_days(engine: Engine) -> int:
    """How many (channel, day) pairs wait to be rolled up."""
    with engine.connect() as connection:
        return connection.execute(select(func.count()).select_from(DirtyDay)).scalar_one()


def _recompute_some(session: Session, now_ms: int) -> int:
    doors = _Doors(session)
    keys = _take(session.connection(), doors.shut_channels())
    siblings = {(one, day) for channel, day in keys for one in doors.told_by(channel)} - set(keys)
    mark_dirty(session.connection(), siblings, touched_ms=now_ms)
    for channel in sorted({channel for channel, _ in keys} & doors.refs):
        rezero.renew(session, channel, [day for one, day in keys if one == channel], touched_ms=now_ms)
    told: dict[tuple[int, Span], Whole] = {}
    for channel in sorted({channel for channel, _ in keys}):
        versions = versions_of(session, channel, doors.unit(channel))
        for run in spans_of(day for one, day in keys if one == channel):
            shut = doors.shut_channel(channel)
            if shut is not None and (shut, run) not in told:
                told[shut, run] = _shut_ms(session, shut, run)
            _replace(session, channel, run, versions, None if shut is None else told[shut, run])
    return len(keys)


def _take(connection: Connection, shut_channels: Sequence[int]) -> list[Key]:
    """Take some marks away first: a reading that comes after this makes the mark anew.

    Marks of one minute go together, those of shut channels before the others that they mark in turn.
    """
    key = tuple_(DirtyDay.channel_id, DirtyDay.day)
    is_shut = case((DirtyDay.channel_id.in_(shut_channels), 0), else_=1)
    order = (DirtyDay.touched - DirtyDay.touched % MINUTE_MS, is_shut, DirtyDay.channel_id, DirtyDay.day)
    chosen = select(DirtyDay.channel_id, DirtyDay.day).order_by(*order).limit(SLICE)
    if connection.dialect.name == "postgresql":
        chosen = chosen.with_for_update(skip_locked=True)
    # named, so that it is asked once: inside a join it may be asked again for each row, and gives others then
    once = chosen.cte("chosen")
    some = select(once.c.channel_id, once.c.day)
    taken = delete(DirtyDay).where(key.in_(some)).returning(DirtyDay.channel_id, DirtyDay.day)
    return sorted((channel, day) for channel, day in connection.execute(taken))


class _Doors:
    """Units of the channels, and which channel tells whether a channel's door is shut."""

    def __init__(self, session: Session) -> None:
        columns = (CHANNEL.c.id, CHANNEL.c.unit, CHANNEL.c.door_id, CHANNEL.c.quantity)
        rows = session.execute(select(*columns).order_by(CHANNEL.c.id)).all()
        self._units = {channel: unit for channel, unit, _, _ in rows}
        self.refs = {channel for channel, _, _, quantity in rows if quantity == "ref"}
        self._door_of = {channel: door for channel, _, door, _ in rows if door is not None}
        self._shut_of: dict[int, int] = {}
        for channel, _, door, quantity in rows:
            if quantity == "shut" and door is not None:
                self._shut_of.setdefault(door, channel)

    def unit(self, channel: int) -> str:
        """The unit a channel sends; empty for one that is gone."""
        return str(self._units.get(channel, ""))

    def shut_channels(self) -> list[int]:
        """The channels that tell whether a door is shut."""
        return sorted(self._shut_of.values())

    def shut_channel(self, channel: int) -> int | None:
        """The channel that tells whether this one's door is shut."""
        return self._shut_of.get(self._door_of.get(channel, -1))

    def told_by(self, channel: int) -> list[int]:
        """The other channels of the door that this channel tells the shutting of; none for any other."""
        if self.shut_channel(channel) != channel:
            return []
        door = self._door_of[channel]
        return [one for one, of in self._door_of.items() if of == door and one != channel]


def _shut_ms(session: Session, channel: int, days: Span) -> Whole:
    """The moments of these days at which the door was shut."""
    told = store.raw(session, channel, days[0] * DAY_MS, (days[1] + 1) * DAY_MS)
    shut: Whole = told.ms[told.value == 1.0]
    return shut


def _replace(
    session: Session, channel: int, days: Span, versions: Sequence[Version], shut_ms: Whole | None
) -> None:
    """Roll up a run of days of a channel; what stood for them goes, also where nothing takes its place."""
    connection, (first, last) = session.connection(), days
    for model in (RollupDay, DayShut):
        connection.execute(delete(model).where(model.channel_id == channel, model.day.between(first, last)))
    sent = store.raw(session, channel, first * DAY_MS, (last + 1) * DAY_MS)
    made, known = calibrate(versions, sent.ms, rezero.put_right(session, channel, sent.ms, sent.value))
    ms, value = sent.ms[known], made.value[known]
    if not len(ms):
        return
    insert_rows(connection, ROLLUP_DAY, _rows(channel, rolled(ms // DAY_MS, ms, value), versions), NOTHING)
    is_shut = np.ones(ms.shape, dtype=np.bool_) if shut_ms is None else np.isin(ms, shut_ms)
    if is_shut.any():
        rows = _shut_rows(channel, ms[is_shut], value[is_shut], versions)
        insert_rows(connection, DAY_SHUT, rows, NOTHING)


def _rows(channel: int, found: Rolled, versions: Sequence[Version]) -> list[tuple[float | None, ...]]:
    columns = [getattr(found, name).tolist() for name in found.__slots__]
    return [(channel, *row) for row in zip(*columns, _used(found.last_ms, versions), strict=True)]


def _shut_rows(
    channel: int, ms: Whole, value: Floats, versions: Sequence[Version]
) -> list[tuple[float | None, ...]]:
    found = rolled(ms // DAY_MS, ms, value)
    day, median = medians(ms // DAY_MS, value)
    columns = [one.tolist() for one in (day, found.n, median, found.low, found.high)]
    return [(channel, *row) for row in zip(*columns, _used(found.last_ms, versions), strict=True)]


def _used(last_ms: Whole, versions: Sequence[Version]) -> list[int | None]:
    """The calibration in force at each of these moments."""
    place = np.searchsorted(np.array([one.from_ms for one in versions]), last_ms, side="right") - 1
    return [versions[number].id for number in place]
