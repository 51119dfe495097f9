"""Doors with days made by a formula of its own: what is put in is known."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from server.doors.built import BuiltDoor, Gauge, shoulder_pairs, spacing_mm
from server.doors.carpentry import shape_of, stations_of
from server.doors.example import example_text
from server.doors.file import read_door
from server.doors.register import ChannelRef, DoorHung
from server.inspection.values import DoorInputs, GaugeDays
from server.joinery import leaf

FloatArray = NDArray[np.float64]
HUNG = datetime(2021, 3, 2, 12, tzinfo=UTC)
HUNG_DAY = int(HUNG.timestamp()) // 86_400
YEAR = 365.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is put into a door's days. Rates are a year, from hanging on."""

    years: float = 3.0
    droop_mm_per_year: float = 0.0
    turn_mrad_per_year: float = 0.0
    opening_mm_per_year: float = 0.0
    season_mm: float = 0.1
    seed: int = 20260301
    readings_a_day: int = 96
    first_day: int = 0


def hung(name: str = "north", *, built: BuiltDoor | None = None, heard_ms: int | None = None) -> DoorHung:
    """A door as the register gives it."""
    made = replace(built or read_door(example_text(name), where="door.toml").built, hung=HUNG)
    channels = {
        gauge.channel: ChannelRef(
            id=k, name=f"{made.site}/{made.node}/{gauge.channel}", unit=gauge.unit, kind=gauge.kind
        )
        for k, gauge in enumerate(made.gauges, 1)
    }
    return DoorHung(
        id=1,
        site=made.site,
        zone="Europe/London",
        ref=f"{made.site}/{made.name}",
        name=made.name,
        shown=made.shown,
        hung=made.hung,
        built=made,
        channels=channels,
        node_id=1,
        node_last_heard_ms=heard_ms,
        node_status=None,
        upload_s=3600,
    )


def one_gauge() -> DoorHung:
    """A door with a single gauge at the latch-side corner and one hygrometer."""
    made = read_door(example_text("north"), where="door.toml").built
    air = tuple(gauge for gauge in made.gauges if gauge.kind in ("air_temp", "air_rh"))
    alone = Gauge(channel="droop", kind="droop", unit="mm", sd_mm=0.02, drift_mm_per_year=0.003)
    return hung(built=replace(made, gauges=(*air, alone), limits=replace(made.limits, gauge_mm=1.5)))


def one_joint(name: str = "north") -> DoorHung:
    """A door whose only gauges are the pair at the lock rail's hinge end, and its air."""
    made = read_door(example_text(name), where="door.toml").built
    kept = tuple(
        gauge for gauge in made.gauges if gauge.kind in ("air_temp", "air_rh") or gauge.joint == "lock-hinge"
    )
    return hung(built=replace(made, gauges=kept))


def made_inputs(truth: Truth, door: DoorHung | None = None) -> DoorInputs:
    """A door's days under this truth: a damp winter, a dry summer, gauges with noise."""
    at = door or hung()
    day = np.arange(truth.first_day, int(truth.years * YEAR))
    rng = np.random.default_rng(truth.seed)
    wave = np.cos(2 * np.pi * (day - 30) / YEAR)
    slow = np.cos(2 * np.pi * (day - 75) / YEAR)
    temp = 12 - 6 * wave + rng.normal(0, 1.5, day.size)
    damp = 68 + 10 * wave + rng.normal(0, 3, day.size)
    return DoorInputs(
        door=at,
        hung_day=HUNG_DAY,
        day=day,
        gauges={
            gauge.channel: GaugeDays(
                median=value + rng.normal(0, gauge.sd_mm / 2, day.size),
                n=np.full(day.size, truth.readings_a_day),
            )
            for gauge, value in _readings(truth, at.built, day, slow)
        },
        temp_c=temp,
        rh_pct=damp,
    )


def missing(
    inputs: DoorInputs, start: int, stop: int, *, gauges: tuple[str, ...] | None = None
) -> DoorInputs:
    """The same days with nothing heard of some gauges (of all) on days [start, stop) since hanging."""
    gone = (inputs.day >= start) & (inputs.day < stop)
    kept = {
        name: GaugeDays(median=np.where(gone, np.nan, days.median), n=np.where(gone, 0, days.n))
        if gauges is None or name in gauges
        else days
        for name, days in inputs.gauges.items()
    }
    return replace(inputs, gauges=kept)


def _readings(
    truth: Truth, built: BuiltDoor, day: NDArray[np.int64], slow: FloatArray
) -> list[tuple[Gauge, FloatArray]]:
    shape, years = shape_of(built), day / YEAR
    states = np.zeros((day.size, 8))
    droop = truth.droop_mm_per_year * years
    states[:, 1], states[:, 3] = -droop / 2, droop / 2 / shape.rail_mm
    states[:, 4] = 8e-4 * slow
    made: list[tuple[Gauge, FloatArray]] = []
    for gauge in built.gauges:
        if gauge.kind in leaf.POSITION_KINDS:
            made.append((gauge, leaf.read(shape, stations_of(built)[gauge.channel], states)))
        elif gauge.kind == "droop":
            made.append((gauge, droop + truth.season_mm / 2 * slow))
    for joint, pair in shoulder_pairs(built).items():
        failing = joint == "lock-hinge"
        turn = truth.turn_mrad_per_year * years * failing / 1000 * spacing_mm(pair) / 2
        opening = 0.2 - truth.season_mm / 2 * slow + truth.opening_mm_per_year * years * failing
        side = 1 if joint.endswith("hinge") else -1
        made += [(pair[0], opening + side * turn), (pair[1], opening - side * turn)]
    return made
