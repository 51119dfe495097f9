"""Whether a slam was felt beside a found step: a door's meter of peaks on the days of its steps."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.doors.register import DoorHung
from server.inspection.found.told import day_number, day_text
from server.inspection.use import DAY_MS, PEAKS, channels_of
from server.inspection.values import Finding, Inspection
from server.readings import store
from server.readings.tables import RollupDay
from server.trend.trial_use import SLAM_DAYS, UseUnknownError, slam_level

MONTH_DAYS = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Felt:
    """A slam above the door's own level: its day since 1970; whether the hardest of the 30 days up to it."""

    day: int
    is_hardest: bool


def felt_beside(session: Session, door: DoorHung, days: Iterable[int]) -> dict[int, Felt]:
    """The slam that was felt on each of these days since 1970, or on the day before; of those with one.

    A blow in the afternoon leaves most of its day's readings as they were: the step is found a day later.
    """
    asked = sorted(set(days))
    level = _level(session, door) if asked and channels_of(door, PEAKS) else None
    if level is None:
        return {}
    found = {}
    for day in asked:
        greatest = _greatest(session, door, day - MONTH_DAYS, day)
        for on in (day, day - 1):
            if greatest.get(on, 0.0) > level:
                hardest = max(peak for one, peak in greatest.items() if one <= on)
                found[day] = Felt(day=on, is_hardest=greatest[on] == hardest)
                break
    return found


def with_slams(session: Session, door: DoorHung, inspection: Inspection) -> Inspection:
    """The same, each found step with the slam that was felt beside it; one that has it already keeps it."""
    asked = {
        day
        for one in inspection.findings
        if _is_asked(one) and (day := day_number(one.about.partition("@")[2])) is not None
    }
    felt = felt_beside(session, door, asked) if asked else {}
    if not felt:
        return inspection
    return replace(inspection, findings=tuple(_with(one, felt) for one in inspection.findings))


def _is_asked(one: Finding) -> bool:
    return one.topic == "step" and bool(one.evidence.get("found")) and "slam_on" not in one.evidence


def _with(one: Finding, felt: Mapping[int, Felt]) -> Finding:
    told = felt.get(day_number(one.about.partition("@")[2]) or -1) if _is_asked(one) else None
    if told is None:
        return one
    more = {"slam_on": day_text(told.day), "slam_is_hardest": told.is_hardest}
    return replace(one, evidence={**one.evidence, **more})


def _level(session: Session, door: DoorHung) -> float | None:
    hung_day = int(door.hung.timestamp() * 1000) // DAY_MS
    first, last = (hung_day + day for day in SLAM_DAYS)
    early = [
        float(value)
        for channel in channels_of(door, PEAKS)
        for value in store.series(session, channel.id, first * DAY_MS, last * DAY_MS).value
    ]
    try:
        return slam_level(early)
    except UseUnknownError:
        return None


def _greatest(session: Session, door: DoorHung, first: int, last: int) -> dict[int, float]:
    """The greatest peak of each day of [first, last], m/s²."""
    ids = [channel.id for channel in channels_of(door, PEAKS)]
    chosen = RollupDay.channel_id.in_(ids) & RollupDay.day.between(first, last)
    greatest: dict[int, float] = {}
    for day, high in session.execute(select(RollupDay.day, RollupDay.high).where(chosen)):
        greatest[day] = max(high, greatest.get(day, 0.0))
    return greatest
