"""What a look at a door needs, read from the store."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from sqlalchemy.orm import Session

from server.doors.marks import marks_of
from server.doors.register import ChannelRef, DoorHung
from server.inspection.cutting import as_of
from server.inspection.reading_tonight import tonight_of
from server.inspection.spans import ever_trended
from server.inspection.values import DoorInputs, GaugeDays
from server.readings.store import DayMeans, DayMedians, day_means, day_medians, first_shut_day

DAY_MS = 86_400_000
IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]


def gather(session: Session, door: DoorHung, end_day: int) -> DoorInputs:
    """The door's days before `end_day` (days since 1970), from hanging on, and what its night asks.

    Both ends are cut to the days on which any of its trended gauges has a reading.
    """
    hung_day = int(door.hung.timestamp() * 1000) // DAY_MS
    channels: dict[str, ChannelRef] = {**door.past_channels, **door.channels}
    names = [name for name in ever_trended(door) if name in channels]
    medians = day_medians(session, [channels[name].id for name in names], hung_day, end_day)
    air = {
        kind: [
            door.channels[gauge.channel].id
            for gauge in door.built.gauges
            if gauge.kind == kind and gauge.channel in door.channels
        ]
        for kind in ("air_temp", "air_rh")
    }
    means = day_means(session, [*air["air_temp"], *air["air_rh"]], hung_day, end_day)
    seen = [found.day for found in medians.values() if found.day.size]
    day = (
        np.arange(min(days[0] for days in seen), max(days[-1] for days in seen) + 1)
        if seen
        else np.zeros(0, np.int64)
    )
    gauges = {name: _gauge_days(medians[channels[name].id], day) for name in names}
    return DoorInputs(
        door=door,
        hung_day=hung_day,
        day=day - hung_day,
        gauges=gauges,
        temp_c=_air(means, air["air_temp"], day),
        rh_pct=_air(means, air["air_rh"], day),
        marks=tuple(mark for mark in marks_of(session, door.id) if mark.t_ms < end_day * DAY_MS),
        end_day=end_day,
        tonight=tonight_of(session, door, end_day, days=(day, gauges)),
    )


def on_night(session: Session, inputs: DoorInputs, end_day: int) -> DoorInputs:
    """Gathered days as an earlier night had them, with what that night is asked; no day is read again."""
    cut = as_of(inputs, end_day)
    days = (cut.day + cut.hung_day, cut.gauges)
    return replace(cut, tonight=tonight_of(session, inputs.door, end_day, days=days))


def first_day(session: Session, door: DoorHung) -> int | None:
    """The first day since 1970, from hanging on, on which any of its trended gauges has a reading."""
    channels: dict[str, ChannelRef] = {**door.past_channels, **door.channels}
    ids = [channels[name].id for name in ever_trended(door) if name in channels]
    return first_shut_day(session, ids, int(door.hung.timestamp() * 1000) // DAY_MS)


def _gauge_days(found: DayMedians, day: IntArray) -> GaugeDays:
    median, n = np.full(day.size, np.nan), np.zeros(day.size, np.int64)
    if day.size:
        places = found.day - day[0]
        median[places], n[places] = found.median, found.n
    return GaugeDays(median=median, n=n)


def _air(means: Mapping[int, DayMeans], channels: list[int], day: IntArray) -> FloatArray:
    air = np.full(day.size, np.nan)
    for channel in channels[:1]:
        found = means[channel]
        inside = (
            (found.day >= day[0]) & (found.day <= day[-1]) if day.size else np.zeros(found.day.size, bool)
        )
        air[found.day[inside] - (day[0] if day.size else 0)] = found.mean[inside]
    return air
