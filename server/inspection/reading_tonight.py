"""What a night is asked besides the days: its last day's readings, converter, checks, tests, jumps."""

import json
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from server.doors.built import Gauge
from server.doors.checks import checks_of
from server.doors.load_tests import load_tests_of
from server.doors.register import DoorHung
from server.inspection.slams import days_to_look_at, jump_on
from server.inspection.spans import trended_gauges
from server.inspection.tables import FindingRow, InspectionRow
from server.inspection.values import Earlier, GaugeDays, Jump, Tonight
from server.readings import rezero, store
from server.readings.tables import Calibration, DayShut, RollupDay

DAY_MS, HOUR_MS = 86_400_000, 3_600_000
# Jumps of the last days are looked for; what was found of one is kept in mind until it lapses.
JUMP_DAYS, EARLIER_DAYS = 4, 62
Days = tuple[NDArray[np.int64], Mapping[str, GaugeDays]]


def tonight_of(session: Session, door: DoorHung, end_day: int, *, days: Days) -> Tonight:
    """What the night that ends before `end_day` (days since 1970) is asked; `days`: numbers and medians."""
    rolled, shut = _last_day(session, door, end_day - 1)
    shut_gauge = _first_of(door, "shut")
    return Tonight(
        good=_good(door, rolled, shut) if rolled else None,
        is_open=shut_gauge is not None and shut_gauge in rolled and rolled[shut_gauge][1] == 0.0,
        low_rh_pct={
            gauge.channel: rolled[gauge.channel][2]
            for gauge in door.built.gauges
            if gauge.kind == "air_rh" and gauge.channel in rolled
        },
        ref_shift=_ref_shift(session, door, end_day),
        checked_day=_checked_days(session, door, end_day),
        feelers=checks_of(session, door.id, before_ms=end_day * DAY_MS),
        tests=load_tests_of(session, door.id),
        jumps=_jumps(session, door, end_day, days),
        earlier=_earlier(session, door, end_day),
    )


def _last_day(
    session: Session, door: DoorHung, day: int
) -> tuple[dict[str, tuple[int, float, float]], dict[str, int]]:
    """Of each gauge with readings that day their count, mean and least; and the count with the door shut."""
    names = {one.id: name for name, one in door.channels.items()}
    all_of = select(RollupDay.channel_id, RollupDay.n, RollupDay.mean, RollupDay.low)
    rows = session.execute(all_of.where(RollupDay.channel_id.in_(names) & (RollupDay.day == day)))
    rolled = {names[channel]: (int(n), float(mean), float(low)) for channel, n, mean, low in rows}
    shut_of = select(DayShut.channel_id, DayShut.n)
    shut = session.execute(shut_of.where(DayShut.channel_id.in_(names) & (DayShut.day == day)))
    return rolled, {names[channel]: int(n) for channel, n in shut}


def _good(
    door: DoorHung, rolled: Mapping[str, tuple[int, float, float]], shut: Mapping[str, int]
) -> dict[str, int]:
    """Good readings of the day: of what is measured at the leaf those with the door shut."""
    at_leaf = set(trended_gauges(door.built))
    return {
        name: shut.get(name, 0) if name in at_leaf else rolled.get(name, (0,))[0] for name in door.channels
    }


def _first_of(door: DoorHung, kind: str) -> str | None:
    found: list[Gauge] = [
        one for one in door.built.gauges if one.kind == kind and one.channel in door.channels
    ]
    return found[0].channel if found else None


def _ref_shift(session: Session, door: DoorHung, end_day: int) -> float | None:
    ref = _first_of(door, "ref")
    if ref is None:
        return None
    shifts = rezero.shifts(session, door.channels[ref].id)
    windows = [window for window in shifts if window * rezero.WINDOW_DAYS < end_day]
    return shifts[max(windows)] if windows else None


def _checked_days(session: Session, door: DoorHung, end_day: int) -> dict[str, int]:
    """The day since 1970 from which each gauge's newest calibration holds."""
    names = {one.id: name for name, one in door.channels.items()}
    chosen = Calibration.channel_id.in_(names) & (Calibration.from_ms < end_day * DAY_MS)
    newest = select(Calibration.channel_id, func.max(Calibration.from_ms)).where(chosen)
    rows = session.execute(newest.group_by(Calibration.channel_id))
    return {names[channel]: int(from_ms) // DAY_MS for channel, from_ms in rows}


def _earlier(session: Session, door: DoorHung, end_day: int) -> tuple[Earlier, ...]:
    """The last word of earlier looks on each step and slam."""
    since, until = (end_day - EARLIER_DAYS) * DAY_MS, end_day * DAY_MS
    looks = (
        (InspectionRow.scope == f"door/{door.id}")
        & (InspectionRow.until_ms >= since)
        & (InspectionRow.until_ms < until)
    )
    rows = session.execute(
        select(FindingRow.topic, FindingRow.about, FindingRow.evidence)
        .join(InspectionRow, InspectionRow.id == FindingRow.inspection_id)
        .where(looks & FindingRow.topic.in_(("step", "slam")))
        .order_by(InspectionRow.until_ms, FindingRow.id)
    )
    last = {(topic, about): evidence for topic, about, evidence in rows}
    return tuple(
        Earlier(topic=topic, about=about, evidence=json.loads(evidence))
        for (topic, about), evidence in sorted(last.items())
    )


def _jumps(session: Session, door: DoorHung, end_day: int, days: Days) -> tuple[Jump, ...]:
    """Slams of the last days. Readings are read of days alone on which the medians jumped."""
    day, gauges = days
    worth = days_to_look_at(door.built, gauges, day, end_day - 1 - JUMP_DAYS)
    if not worth:
        return ()
    start_ms, stop_ms = (min(worth) - 2) * DAY_MS, min(max(worth) + 3, end_day) * DAY_MS
    readings = _shut_readings(session, door, start_ms, stop_ms)
    found = [jump_on(door.built, readings, one * DAY_MS, (one + 1) * DAY_MS) for one in worth]
    return tuple(one for one in found if one is not None)


def _shut_readings(
    session: Session, door: DoorHung, start_ms: int, stop_ms: int
) -> dict[str, tuple[NDArray[np.int64], NDArray[np.float64]]]:
    shut_gauge = _first_of(door, "shut")
    shut_ms = None
    if shut_gauge is not None:
        told = store.raw(session, door.channels[shut_gauge].id, start_ms, stop_ms)
        shut_ms = told.ms[told.value == 1.0]
    found = {}
    for name in trended_gauges(door.built):
        if name in door.channels:
            read = store.series(session, door.channels[name].id, start_ms, stop_ms)
            kept = np.ones(read.ms.size, dtype=bool) if shut_ms is None else np.isin(read.ms, shut_ms)
            found[name] = (read.ms[kept], read.value[kept])
    return found
