"""Which series a door has, and each one's days from the hung line."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from server.doors.built import (
    EDGE_KINDS,
    BuiltDoor,
    Gauge,
    droop_limit_mm,
    reference_height_mm,
    shoulder_pairs,
    spacing_mm,
    turn_limit_mrad,
)
from server.inspection.line import Line
from server.inspection.moisture import Moisture
from server.inspection.values import DoorInputs
from server.joinery import leaf
from server.trend.series import DoorFacts, for_droop, for_opening, for_turn

FloatArray = NDArray[np.float64]
DERIVED = ("droop", "sag", "rack")


@dataclass(frozen=True, slots=True, kw_only=True)
class DaySeries:
    """One series of a door: a value a day (NaN where there is none) and what is declared of it."""

    key: str
    unit: str
    value: FloatArray
    facts: DoorFacts
    sd_day: float
    told: str
    rests_on: tuple[str, ...]
    mean_now: float | None = None


def trended_gauges(built: BuiltDoor) -> tuple[str, ...]:
    """Names of the gauges that any series rests on."""
    paired = {gauge.channel for pair in shoulder_pairs(built).values() for gauge in pair}
    kinds = (*leaf.POSITION_KINDS, "droop")
    return tuple(gauge.channel for gauge in built.gauges if gauge.kind in kinds or gauge.channel in paired)


def made_series(inputs: DoorInputs, line: Line, moisture: Moisture | None) -> tuple[DaySeries, ...]:
    """Droop, sag and rack where the kit tells them, the joints, the gaps; else the one gauge."""
    built = inputs.door.built
    zeroed = {name: _zeroed(inputs, line, name) for name in trended_gauges(built) if name in inputs.gauges}
    made = _leaf_series(inputs, zeroed, moisture)
    for joint, pair in shoulder_pairs(built).items():
        if all(gauge.channel in zeroed for gauge in pair):
            made += _joint_series(inputs, joint, pair, zeroed)
    edges = [gauge for gauge in built.gauges if gauge.kind in EDGE_KINDS and gauge.channel in zeroed]
    made += [_gauge_series(built, gauge, f"gap:{gauge.channel}", zeroed) for gauge in edges]
    alone = [gauge for gauge in built.gauges if gauge.kind == "droop" and gauge.channel in zeroed]
    if not any(one.key == "droop" for one in made):
        made += [_gauge_series(built, gauge, f"gauge:{gauge.channel}", zeroed) for gauge in alone]
    steps = _declared(inputs)
    return tuple(replace(one, facts=replace(one.facts, declared_steps=steps)) for one in made)


def _zeroed(inputs: DoorInputs, line: Line, name: str) -> FloatArray:
    return np.asarray(inputs.gauges[name].median - line.zero_mm.get(name, np.nan))


def _declared(inputs: DoorInputs) -> tuple[int, ...]:
    shifts = ("planed", "rehung", "repaired", "gauge-moved")
    days = {mark.t_ms // 86_400_000 - inputs.hung_day for mark in inputs.marks if mark.kind in shifts}
    return tuple(sorted(day for day in days if day > 0))


def _leaf_series(
    inputs: DoorInputs, zeroed: dict[str, FloatArray], moisture: Moisture | None
) -> list[DaySeries]:
    built = inputs.door.built
    gauges = [
        gauge for gauge in built.gauges if gauge.kind in leaf.POSITION_KINDS and gauge.channel in zeroed
    ]
    if not gauges or len(built.hinges) < 2 or inputs.day.size == 0:
        return []
    found = leaf.moved(
        leaf_shape(built),
        [_station(gauge) for gauge in gauges],
        np.column_stack([zeroed[gauge.channel] for gauge in gauges]),
        opening=built.opening.kind,
        growth=leaf.growth_prior(
            None if moisture is None else moisture.change_pct,
            days=inputs.day.size,
            start_doubt_pct=0.0 if moisture is None else moisture.start_doubt_pct,
        ),
    )
    rests_on = tuple(_channel(built, gauge) for gauge in gauges)
    made = [_derived(name, found, built, rests_on) for name in DERIVED]
    return [one for one in made if one is not None]


def _derived(
    name: str, found: leaf.Movement, built: BuiltDoor, rests_on: tuple[str, ...]
) -> DaySeries | None:
    value = found.value_mm(name)
    seen = np.flatnonzero(np.isfinite(found.derived_mm[:, 0]))
    # A kit that tells it on a few days near the hung moisture alone does not tell it.
    if np.isfinite(value).sum() * 2 < max(seen.size, 1):
        return None
    last, place = int(np.flatnonzero(np.isfinite(value))[-1]), leaf.DERIVED.index(name)
    limits = {"droop": droop_limit_mm(built), "rack": built.limits.rack_mm, "sag": None}
    drift = float(found.drift_mm_per_year[last, place])
    return DaySeries(
        key=name,
        unit="mm",
        value=value,
        facts=replace(for_droop(), drift_per_year=drift, limit=limits[name]),
        sd_day=float(found.derived_sd_mm[last, place]),
        told=found.told(name)[last],
        rests_on=rests_on,
    )


def _joint_series(
    inputs: DoorInputs, joint: str, pair: tuple[Gauge, Gauge], zeroed: dict[str, FloatArray]
) -> list[DaySeries]:
    built, (top, bottom), spacing = inputs.door.built, pair, spacing_mm(pair)
    end = joint.rpartition("-")[2]
    sd = float(np.hypot(top.sd_mm, bottom.sd_mm))
    drift = float(np.hypot(top.drift_mm_per_year, bottom.drift_mm_per_year))
    rests_on = tuple(_channel(built, gauge) for gauge in pair)
    turn = DaySeries(
        key=f"turn:{joint}",
        unit="mrad",
        value=leaf.turn_mrad(zeroed[top.channel], zeroed[bottom.channel], spacing_mm=spacing, end=end),
        facts=replace(
            for_turn(spacing), drift_per_year=1000 * drift / spacing, limit=turn_limit_mrad(built, joint)
        ),
        sd_day=1000 * sd / spacing,
        told="usable",
        rests_on=rests_on,
    )
    gaps = leaf.mean_opening_mm(*(inputs.gauges[gauge.channel].median for gauge in pair))
    seen = gaps[np.isfinite(gaps)]
    opening = DaySeries(
        key=f"opening:{joint}",
        unit="mm",
        value=leaf.mean_opening_mm(zeroed[top.channel], zeroed[bottom.channel]),
        facts=replace(for_opening(), drift_per_year=drift / 2, limit=built.limits.opening_open_mm),
        sd_day=sd / 2,
        told="usable",
        rests_on=rests_on,
        mean_now=float(np.median(seen[-7:])) if seen.size else None,
    )
    return [turn, opening]


def _gauge_series(built: BuiltDoor, gauge: Gauge, key: str, zeroed: dict[str, FloatArray]) -> DaySeries:
    limit = None
    if key.startswith("gauge:"):
        limit = built.limits.gauge_mm if built.limits.gauge_mm is not None else built.limits.droop_mm
    return DaySeries(
        key=key,
        unit="mm",
        value=zeroed[gauge.channel],
        facts=replace(for_droop(), drift_per_year=gauge.drift_mm_per_year, limit=limit),
        sd_day=gauge.sd_mm,
        told="usable",
        rests_on=(_channel(built, gauge),),
    )


def leaf_shape(built: BuiltDoor) -> leaf.Shape:
    """The leaf in its opening as hung."""
    return leaf.Shape(
        width_mm=built.width_mm,
        height_mm=built.height_mm,
        stile_mm=built.stile_mm,
        gap_hinge_mm=built.opening.gap_hinge_mm,
        gap_head_mm=built.opening.gap_head_mm,
        gap_latch_mm=built.opening.gap_latch_mm,
        gap_sill_mm=built.opening.gap_sill_mm,
        reference_mm=reference_height_mm(built),
    )


def _station(gauge: Gauge) -> leaf.Station:
    return leaf.Station(
        kind=gauge.kind, at_mm=gauge.station_mm, sd_mm=gauge.sd_mm, drift_mm_per_year=gauge.drift_mm_per_year
    )


def _channel(built: BuiltDoor, gauge: Gauge) -> str:
    return f"{built.node}/{gauge.channel}"
