"""Which days are not as the looks had them: readings that came late, a new calibration, a clock put right.

The days that a door's looks rested on are kept from one run to the next, each value by itself, and compared.
"""

import io
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, delete, select
from sqlalchemy.orm import Session

from server.inspection.spans import versions_of_door
from server.inspection.tables import SeriesWatchRow
from server.inspection.values import DoorInputs

Days = NDArray[np.float32]
# The row of a door that is of no series: its days as they were looked at.
NO_SERIES, KIND, NONE_STALE = "", "days", -1
# A value that moved by less is the same for every figure that is said. The converter's re-zero moves the days
# of its fortnight by such amounts each night. Conventions of this project.
SHARE_OF_SD, AIR_C, AIR_PCT = 0.05, 0.05, 0.5
TEMP, RH = "air temp_c", "air rh_pct"


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """A door's days as its looks had them, by gauge, from the day of hanging on; NaN where nothing was read.

    `stale_day`: the first of them that changed and after which there are nights that were not looked at
    anew; None where there are none. It counts from the day of hanging.
    """

    values: Mapping[str, Days] = field(default_factory=dict)
    stale_day: int | None = None


def days_of(inputs: DoorInputs) -> dict[str, Days]:
    """The days from hanging up to the last that had ended, by gauge, and the air's."""
    read = {f"gauge {name}": one.median for name, one in inputs.gauges.items()}
    found = {}
    for name, value in {**read, TEMP: inputs.temp_c, RH: inputs.rh_pct}.items():
        days = np.full(inputs.last_ended + 1, np.nan, np.float32)
        days[inputs.day] = value
        found[name] = days
    return found


def first_changed(before: Mapping[str, Days], inputs: DoorInputs, until_day: int) -> int | None:
    """The first day before `until_day` that is not as it was looked at, both since hanging; None: none."""
    now, tolerated = days_of(inputs), _tolerated(inputs)
    nothing = np.full(0, np.nan, np.float32)
    firsts = [
        _first_other(before.get(name, nothing), now.get(name, nothing), tolerated.get(name, 0.0), until_day)
        for name in before.keys() | now.keys()
    ]
    return min((first for first in firsts if first is not None), default=None)


def looked_of(session: Session, door_id: int) -> Looked | None:
    """A door's days as they were kept; None before they ever were."""
    query = select(SeriesWatchRow.day, SeriesWatchRow.state).where(*_own(door_id))
    row = session.execute(query).first()
    if row is None:
        return None
    with np.load(io.BytesIO(row.state), allow_pickle=False) as held:
        values = {name: held[name] for name in held.files}
    return Looked(values=values, stale_day=None if row.day == NONE_STALE else row.day)


def keep_looked(session: Session, door_id: int, looked: Looked) -> None:
    """Keep a door's days in place of those before."""
    held = io.BytesIO()
    np.savez(held, **looked.values)  # type: ignore[arg-type]  # a stub that takes the names for options
    session.execute(delete(SeriesWatchRow).where(*_own(door_id)))
    stale = NONE_STALE if looked.stale_day is None else looked.stale_day
    session.add(
        SeriesWatchRow(
            door_id=door_id, series=NO_SERIES, kind=KIND, day=stale, basis="", state=held.getvalue()
        )
    )
    session.flush()


def _own(door_id: int) -> tuple[ColumnElement[bool], ...]:
    row = SeriesWatchRow
    return row.door_id == door_id, row.series == NO_SERIES, row.kind == KIND


def _tolerated(inputs: DoorInputs) -> dict[str, float]:
    every = [gauge for one in versions_of_door(inputs.door) for gauge in one.built.gauges]
    of_gauges = {f"gauge {one.channel}": SHARE_OF_SD * one.sd_mm for one in every}
    return of_gauges | {TEMP: AIR_C, RH: AIR_PCT}


def _first_other(before: Days, now: Days, tolerated: float, days: int) -> int | None:
    was, came = (_as_long(one, days) for one in (before, now))
    is_other = (np.isnan(was) != np.isnan(came)) | (np.abs(was - came) > tolerated)
    places = np.flatnonzero(is_other)
    return int(places[0]) if places.size else None


def _as_long(days: Days, size: int) -> Days:
    return np.concatenate([days[:size], np.full(max(size - days.size, 0), np.nan, np.float32)])
