"""What a door's gauges tell today and what not, each with its reason; and which gauge is in doubt, by day."""

from dataclasses import dataclass

import numpy as np

from server.doors.carpentry import shape_of, stations_of
from server.errors import OutOfRangeError
from server.inspection.line import Line
from server.inspection.moisture import Moisture
from server.inspection.moved import DERIVED, Moved, moved_in
from server.inspection.spans import spans_of
from server.inspection.values import DoorInputs
from server.joinery import leaf
from server.joinery.suspects import suspicion
from server.joinery.telling import NO_GAUGES, why_not_told

NO_LINE = "its hung line is not drawn yet"
NOT_READ = "its gauges had no reading on a day from which their line counts"
DOUBT_DAYS = 14


@dataclass(frozen=True, slots=True, kw_only=True)
class Telling:
    """Whether sag, rack or droop is told on the last day that reads, how surely, and why not.

    `sd_mm` None: no day reads.
    """

    name: str
    verdict: leaf.Told
    sd_mm: float | None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DayDoubt:
    """One day's readings against one another. `day` since hanging; `off_sd` by gauge, in standard deviations.

    `suspects`: none where no fault is seen; `named`: the one that is off, if only one can be.
    """

    day: int
    off_sd: dict[str, float]
    redundancy: dict[str, float]
    suspects: tuple[str, ...]
    named: str | None


def tellings(inputs: DoorInputs, line: Line, moisture: Moisture | None) -> tuple[Telling, ...]:
    """Sag, rack and droop of the door as it stands: told, over seasons alone, or not told and why."""
    part = _last_part(inputs, line, moisture)
    if part is None or line.now.kind == "none":
        reason = NO_LINE if stations_of(spans_of(inputs)[-1].built) else NO_GAUGES
        return tuple(_none(name, reason) for name in DERIVED)
    read = np.flatnonzero(np.isfinite(part.change_mm).any(axis=1))
    if read.size == 0:
        return tuple(_none(name, NOT_READ) for name in DERIVED)
    return tuple(_telling(name, part, int(read[-1])) for name in DERIVED)


def doubts(
    inputs: DoorInputs, line: Line, moisture: Moisture | None, *, days: int = DOUBT_DAYS
) -> tuple[DayDoubt, ...]:
    """Which gauges of the leaf are in doubt on each of the last days; a day with fewer than two is left out.

    A fault of a kit without redundancy moves the leaf instead, unseen: `redundancy` says where that is so.
    """
    part = _last_part(inputs, line, moisture)
    if part is None:
        return ()
    own_days = inputs.day[part.mine]
    found = []
    for place in range(max(own_days.size - days, 0), own_days.size):
        one = _doubt(part, place, int(own_days[place]))
        if one is not None:
            found.append(one)
    return tuple(found)


def _last_part(inputs: DoorInputs, line: Line, moisture: Moisture | None) -> Moved | None:
    spans = spans_of(inputs)
    parts = moved_in(inputs, spans, line.each or (line,), moisture)
    # A change of yesterday has no days of its own yet: what was told before it is not told of it.
    return parts[-1] if parts and parts[-1].built == spans[-1].built else None


def _none(name: str, reason: str) -> Telling:
    return Telling(name=name, verdict="not_told", sd_mm=None, reason=reason)


def _telling(name: str, part: Moved, place: int) -> Telling:
    stations = part.stations
    read = np.isfinite(part.change_mm[place])
    kinds = [stations[gauge].kind for gauge, is_read in zip(part.gauges, read, strict=True) if is_read]
    verdict = part.movement.told(name)[place]
    sd_mm = float(part.movement.derived_sd_mm[place, leaf.DERIVED.index(name)])
    reason = why_not_told(name, verdict, kinds, opening=part.built.opening.kind, sd_mm=sd_mm)
    return Telling(name=name, verdict=verdict, sd_mm=sd_mm, reason=reason)


def _doubt(part: Moved, place: int, day: int) -> DayDoubt | None:
    growth = leaf.Growth(mean=part.growth.mean[place : place + 1], sd=part.growth.sd[place : place + 1])
    change = dict(zip(part.gauges, part.change_mm[place].tolist(), strict=True))
    try:
        found = suspicion(
            shape_of(part.built),
            # As declared: the spread of a line's days holds true movement too, and would hide a fault.
            stations_of(part.built),
            change,
            opening=part.built.opening.kind,
            growth=growth,
        )
    except OutOfRangeError:
        return None
    return DayDoubt(
        day=day,
        off_sd=dict(found.off_sd),
        redundancy=dict(found.redundancy),
        suspects=found.suspects,
        named=found.named,
    )
