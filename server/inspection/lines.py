"""Hung lines kept: fixed on the night they are drawn, with the wood and the air of their days."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray
from sqlalchemy.orm import Session

from server.doors.register import DoorHung
from server.doors.versions import DAY_MS, GaugeZero, KeptLine, keep_hung_line, last_line
from server.doors.versions import versions_of as versions_of_door
from server.inspection.heard import BACK_FILL, waiting
from server.inspection.line import Line, drawn_line
from server.inspection.moisture import moisture_of
from server.inspection.spans import Span, spans_of, trended_gauges
from server.inspection.values import DoorInputs
from server.readings.calibration import versions_of

DRAWN, CALIBRATED, OLDER = "drawn", "calibrated", "older readings"
BoolArray = NDArray[np.bool_]


def fixed(session: Session, inputs: DoorInputs, *, now: datetime) -> DoorInputs:
    """The same days with the lines that are fixed by now, those of tonight among them."""
    keep_lines(session, inputs, now=now)
    door = inputs.door
    return replace(inputs, door=replace(door, versions=versions_of_door(session, door.id) or door.versions))


def keep_lines(session: Session, inputs: DoorInputs, *, now: datetime) -> tuple[KeptLine, ...]:
    """Fix the line of each version that is hung by now and not fixed yet; gives those that were kept.

    Where a new calibration changed what a gauge read on the days of a line that is fixed, its zero is read
    anew from the same days; where older readings came, from which it would have been drawn earlier, it is
    drawn there. Either is kept as one line more, with its reason; the earlier one stays to be seen.
    """
    # While older readings are still coming in, the days of a line may not all be here.
    if inputs.day.size == 0 or waiting(inputs.door) >= BACK_FILL:
        return ()
    found = []
    drawn, spans = _each(_unfixed(inputs)), spans_of(inputs)
    for span, as_kept, anew in zip(spans, _each(inputs), drawn, strict=True):
        kept = _to_keep(session, inputs, (span, as_kept, anew), now) if span.version.id else None
        if kept is not None:
            keep_hung_line(session, span.version.id, kept)
            found.append(kept)
    return tuple(found)


def _each(inputs: DoorInputs) -> tuple[Line, ...]:
    gauges = tuple(name for name in trended_gauges(inputs.door.built) if name in inputs.gauges)
    return drawn_line(inputs, gauges).each


def _unfixed(inputs: DoorInputs) -> DoorInputs:
    """The same days as if no line had been fixed."""
    versions = tuple(replace(one, line=None) for one in inputs.door.versions)
    return replace(inputs, door=replace(inputs.door, versions=versions))


def _to_keep(
    session: Session, inputs: DoorInputs, drawn: tuple[Span, Line, Line], now: datetime
) -> KeptLine | None:
    span, as_kept, anew = drawn
    if anew.kind != "hung":
        return None
    before = last_line(session, span.version.id)
    if before is None or inputs.hung_day + anew.start < before.start_day:
        because = DRAWN if before is None else OLDER
        # What a gauge was tied to is the zero that was fixed, not what it would be now.
        tied_mm = {name: as_kept.zero_mm[name] for name in as_kept.tied if as_kept.is_tied(name)}
        line = replace(anew, zero_mm={**anew.zero_mm, **tied_mm})
        return replace(_kept(inputs, line, _calibrations(session, inputs, line), now), because=because)
    if (before.start_day, before.stop_day) != (
        inputs.hung_day + as_kept.start,
        inputs.hung_day + as_kept.stop,
    ):
        # A look at a night on which it was not drawn yet undoes nothing.
        return None
    made = _kept(inputs, as_kept, _calibrations(session, inputs, as_kept), now)
    changed = {name for name, one in made.gauges.items() if _is_other(before.gauges.get(name), one)}
    made = replace(made, gauges={name: _tied_as(anew, name, one) for name, one in made.gauges.items()})
    return _again(before, made, changed, {**as_kept.zero_mm, **_fresh(as_kept)}) if changed else None


def _tied_as(line: Line, name: str, one: GaugeZero) -> GaugeZero:
    return replace(one, tied=line.tied.get(name))


def _again(before: KeptLine, made: KeptLine, changed: Iterable[str], zero_mm: dict[str, float]) -> KeptLine:
    """The line as it was, but for the gauges that were calibrated anew."""
    gauges = dict(before.gauges)
    for name in changed:
        one = made.gauges[name]
        gauges[name] = replace(one, zero_mm=zero_mm[name])
    return KeptLine(
        because=CALIBRATED,
        start_day=before.start_day,
        stop_day=before.stop_day,
        good_days=before.good_days,
        since_heard=before.since_heard,
        gauges=gauges,
        moisture_pct=before.moisture_pct,
        temp_c=before.temp_c,
        rh_pct=before.rh_pct,
        drawn=made.drawn,
    )


def _fresh(line: Line) -> dict[str, float]:
    """What the readings that are stored now make of the zeros that were fixed."""
    return {name: line.zero_mm[name] + by for name, by in line.shifted_mm.items()}


def _is_other(before: GaugeZero | None, now: GaugeZero) -> bool:
    return before is None or before.calibration != now.calibration


def _kept(inputs: DoorInputs, line: Line, calibrations: dict[str, int | None], now: datetime) -> KeptLine:
    within = (inputs.day >= line.start) & (inputs.day < line.stop)
    moisture = moisture_of(inputs, line)
    return KeptLine(
        because=DRAWN,
        start_day=inputs.hung_day + line.start,
        stop_day=inputs.hung_day + line.stop,
        good_days=line.good_days,
        since_heard=line.since_heard,
        gauges={
            name: GaugeZero(
                zero_mm=zero,
                spread_mm=line.spread_mm.get(name, 0.0),
                calibration=calibrations[name],
                tied=line.tied.get(name),
            )
            for name, zero in line.zero_mm.items()
        },
        moisture_pct=None if moisture is None else _mean(moisture.slab_pct, within),
        temp_c=_mean(inputs.temp_c, within),
        rh_pct=_mean(inputs.rh_pct, within),
        drawn=now,
    )


def _mean(value: NDArray[np.float64], within: BoolArray) -> float | None:
    known = value[within & np.isfinite(value)]
    return float(known.mean()) if known.size else None


def _calibrations(session: Session, inputs: DoorInputs, line: Line) -> dict[str, int | None]:
    """The calibration of each gauge that was in force when the line's days ended."""
    end_ms = (inputs.hung_day + line.stop) * DAY_MS
    return {name: _in_force(session, inputs.door, name, end_ms) for name in line.zero_mm}


def _in_force(session: Session, door: DoorHung, name: str, end_ms: int) -> int | None:
    channel = {**door.past_channels, **door.channels}[name]
    begun = [one for one in versions_of(session, channel.id, channel.unit) if one.from_ms < end_ms]
    return begun[-1].id if begun else None
