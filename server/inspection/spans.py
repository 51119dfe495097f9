"""The stretches of a door's days, one a version of the door: each has a line and a zero of its own."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.doors.built import BuiltDoor, shoulder_pairs
from server.doors.changes import GAUGE_MOVED
from server.doors.register import DoorHung
from server.doors.versions import HUNG, Version
from server.inspection.values import DoorInputs
from server.joinery.leaf import POSITION_KINDS

# Hinges bed and new joints creep for so long; a gauge that was set anew does neither.
BEDDING_DAYS = 14


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Days [first, end) since hanging on which a version stood. The day of a change is in none of them."""

    version: Version
    first: int
    end: int

    @property
    def built(self) -> BuiltDoor:
        """The door as it was then."""
        return self.version.built

    @property
    def bedding_days(self) -> int:
        """How many of its days are left to bed before its line may be drawn."""
        return 0 if self.version.because == GAUGE_MOVED else BEDDING_DAYS

    def within(self, day: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Which of these days are its own."""
        return np.asarray((day >= self.first) & (day < self.end))


def trended_gauges(built: BuiltDoor) -> tuple[str, ...]:
    """Names of the gauges that any series rests on."""
    paired = {gauge.channel for pair in shoulder_pairs(built).values() for gauge in pair}
    kinds = (*POSITION_KINDS, "droop")
    return tuple(gauge.channel for gauge in built.gauges if gauge.kind in kinds or gauge.channel in paired)


def ever_trended(door: DoorHung) -> tuple[str, ...]:
    """The same of every version of a door, the last version's first."""
    versions = reversed(versions_of_door(door))
    return tuple(dict.fromkeys(name for version in versions for name in trended_gauges(version.built)))


def versions_of_door(door: DoorHung) -> tuple[Version, ...]:
    """A door's versions; a door that has none yet is as it was hung."""
    first = Version(from_ms=round(door.hung.timestamp() * 1000), because=HUNG, built=door.built)
    return door.versions or (first,)


def spans_of(inputs: DoorInputs) -> tuple[Span, ...]:
    """The spans up to the last of the days: what was changed after it is not known yet."""
    last = int(inputs.day[-1]) if inputs.day.size else 0
    begun = [
        version
        for place, version in enumerate(versions_of_door(inputs.door))
        if place == 0 or version.day - inputs.hung_day <= last
    ]
    starts = [version.day - inputs.hung_day for version in begun]
    ends = [*starts[1:], last + 1]
    # Of the day of hanging itself the readings count, as they always have.
    firsts = [min(0, starts[0]), *(start + 1 for start in starts[1:])]
    return tuple(
        Span(version=version, first=first, end=end)
        for version, first, end in zip(begun, firsts, ends, strict=True)
    )
