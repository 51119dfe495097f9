"""A door that was changed on a day, and what its gauges read after that."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from server.doors.built import BuiltDoor
from server.doors.marks import Mark
from server.doors.register import DoorHung
from server.doors.versions import DAY_MS, Version
from server.inspection.values import DoorInputs, GaugeDays
from tests.inspection.doors import HUNG_DAY

NOON_MS = DAY_MS // 2


def changed(
    door: DoorHung,
    day: int,
    because: str,
    *,
    built: BuiltDoor | None = None,
    moved: tuple[str, ...] = (),
) -> DoorHung:
    """The door with one version more, from that day since hanging on."""
    first = Version(id=1, from_ms=round(door.hung.timestamp() * 1000), because="hung", built=door.built)
    versions = door.versions or (first,)
    after = built or versions[-1].built
    from_ms = (HUNG_DAY + day) * DAY_MS + NOON_MS
    later = Version(id=len(versions) + 1, from_ms=from_ms, because=because, built=after, moved=moved)
    return replace(door, built=after, versions=(*versions, later))


def jumped(inputs: DoorInputs, day: int, by_mm: Mapping[str, float], *, because: str) -> DoorInputs:
    """The same days with gauges that read so much more from a day on, and the day marked."""
    gauges = dict(inputs.gauges)
    for name, more in by_mm.items():
        days = gauges[name]
        gauges[name] = GaugeDays(
            median=days.median + np.where(inputs.day >= day, more, 0.0),
            n=days.n,
        )
    mark = Mark(t_ms=(HUNG_DAY + day) * DAY_MS + NOON_MS, kind=because, text="", by="test")
    return replace(inputs, gauges=gauges, marks=(*inputs.marks, mark))
