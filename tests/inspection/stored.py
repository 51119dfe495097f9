"""Days of an invented door put straight into the store's rollups, so that a look can read them."""

from collections.abc import Mapping
from datetime import UTC, datetime

import numpy as np
from sqlalchemy import insert
from sqlalchemy.orm import Session

from server.doors.register import DoorHung, add_door, enrol_node
from server.inspection.values import DoorInputs
from server.readings.tables import DayShut, RollupDay
from tests.inspection.doors import HUNG, Truth, hung, made_inputs

DAY_MS = 86_400_000
ENROLLED = datetime(2026, 1, 1, tzinfo=UTC)


def stored_door(
    session: Session, truth: Truth, door: DoorHung | None = None, *, zone: str = "Europe/London"
) -> DoorHung:
    """Enrol a node and its door, and store the door's days. Day 0 is the day of hanging, in 2021."""
    asked = door or hung()
    enrol_node(session, asked.site, asked.built.node, kind="tracked", zone=zone, now=HUNG)
    added = add_door(session, asked.built, now=ENROLLED)
    store(session, added, made_inputs(truth, asked))
    return added


def store(session: Session, door: DoorHung, inputs: DoorInputs) -> None:
    """Store the days of inputs under a door's channels."""
    day = inputs.day + inputs.hung_day
    rows = []
    for name, days in inputs.gauges.items():
        seen = np.isfinite(days.median)
        rows += [
            {
                "channel_id": door.channels[name].id,
                "day": int(d),
                "n": int(n),
                "median": float(m),
                "low": float(m),
                "high": float(m),
            }
            for d, n, m in zip(day[seen], days.n[seen], days.median[seen], strict=True)
        ]
    if rows:
        session.execute(insert(DayShut), rows)
    air: Mapping[str, np.ndarray[tuple[int], np.dtype[np.float64]]] = {
        "air-temp": inputs.temp_c,
        "air-rh": inputs.rh_pct,
    }
    means = [
        {
            "channel_id": door.channels[name].id,
            "day": int(d),
            "n": 96,
            "mean": float(value),
            "m2": 0.0,
            "low": float(value),
            "high": float(value),
            "first_ms": int(d) * DAY_MS,
            "last_ms": int(d) * DAY_MS,
        }
        for name, values in air.items()
        for d, value in zip(day, values, strict=True)
        if np.isfinite(value)
    ]
    if means:
        session.execute(insert(RollupDay), means)
    session.flush()
