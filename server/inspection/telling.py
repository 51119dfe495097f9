"""What a door's gauges tell today and what not, each with its reason."""

from dataclasses import dataclass

import numpy as np

from server.doors.carpentry import stations_of
from server.inspection.line import Line
from server.inspection.moisture import Moisture
from server.inspection.moved import DERIVED, Moved, moved_in
from server.inspection.spans import spans_of
from server.inspection.values import DoorInputs
from server.joinery import leaf
from server.joinery.telling import NO_GAUGES, why_not_told

NO_LINE = "its hung line is not drawn yet"
NOT_READ = "its gauges had no reading on a day from which their line counts"


@dataclass(frozen=True, slots=True, kw_only=True)
class Telling:
    """Whether sag, rack or droop is told on the last day that reads, how surely, and why not.

    `sd_mm` None: no day reads.
    """

    name: str
    verdict: leaf.Told
    sd_mm: float | None
    reason: str


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
