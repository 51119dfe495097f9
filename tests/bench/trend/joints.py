"""Simulated joints: a pair's turn (mrad) and a shoulder's mean opening (mm), by no model of the trend's.

Invented data. The air is that of the simulated doors; the wood is a slab in ten layers whose film lags, creep
is a power of time, an opening joint follows a power of the years and is a third faster where the wood is dry.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from server.timber.sorption import emc_pct
from server.trend.series import DAYS_PER_YEAR, Daily, for_opening, for_turn
from tests.bench.trend.doors import KnownDoor, known_doors

FloatArray = NDArray[np.float64]
Kind = Literal["turn", "opening"]

JOINTS, DAYS = 60, 3652
LAYERS, SUB_STEPS = 10, 6
FACTS = {"turn": for_turn(170.0), "opening": for_opening()}
MARKS = {"turn": (0.15, 0.166), "opening": (0.15, 0.30)}
TAKEN_DOWN_DAYS = 180


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """How large things are in one kind of series, in its own unit; pairs are ends of a uniform draw."""

    gain: tuple[float, float]
    """By % of moisture, either sign."""
    face: float
    """By % of moisture of the outermost layer."""
    walk: float
    """Of the gauges, by the square root of years."""
    wander: tuple[float, float]
    daily: float
    by_degree: float
    step: tuple[float, float]
    growth: tuple[float, float]
    """By a power of years."""


TURN = Sizes(
    gain=(0.004, 0.02),
    face=0.006,
    walk=0.0012 * np.sqrt(2) / 0.170,
    wander=(0.004, 0.012),
    daily=0.03,
    by_degree=0.001,
    step=(0.06, 0.5),
    growth=(0.05, 0.20),
)
OPENING = Sizes(
    gain=(0.012, 0.08),
    face=0.002,
    walk=0.0012,
    wander=(0.004, 0.012),
    daily=0.0036,
    by_degree=0.0005,
    step=(0.05, 0.4),
    growth=(0.1, 0.4),
)


def known_joints(kind: Kind, seed: int) -> list[KnownDoor]:
    """Sixty joints, the even ones opening from some day on."""
    rng = np.random.default_rng(seed)
    airs = [door.daily for door in known_doors() if door.daily.day.size == DAYS]
    chosen = [airs[place] for place in rng.integers(0, len(airs), JOINTS)]
    temp_c = np.column_stack([_whole(air.temp_c) for air in chosen])
    rh_pct = np.column_stack([_whole(air.rh_pct) for air in chosen])
    mean, face = _moisture(emc_pct(temp_c, np.clip(rh_pct, 0.0, 100.0)), temp_c, rng)
    return [
        _joint(kind, place, chosen[place], (mean[:, place], face[:, place], temp_c[:, place]), rng)
        for place in range(JOINTS)
    ]


def crossing_day(joint: KnownDoor, mark: float) -> int | None:
    """First day on which what stays, counted from the hung line, is at the mark."""
    over = np.flatnonzero(joint.secular_mm - joint.secular_mm[0] >= mark)
    return int(over[0]) if over.size else None


def _whole(values: FloatArray) -> FloatArray:
    known = np.isfinite(values)
    place = np.arange(values.size)
    return np.interp(place, place[known], values[known])


def _moisture(
    air_pct: FloatArray, temp_c: FloatArray, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Mean and outermost layer of slabs with unlike films, (days, joints); explicit finite volumes."""
    joints = air_pct.shape[1]
    inner = rng.uniform(0.35, 0.8, joints)
    films = rng.uniform(0.01, 0.06, (2, joints))
    layer = np.tile(air_pct[:60].mean(axis=0), (LAYERS, 1))
    mean, face = np.empty_like(air_pct), np.empty_like(air_pct)
    for day in range(air_pct.shape[0]):
        warm = np.exp(0.045 * (temp_c[day] - 20.0))
        for _ in range(SUB_STEPS):
            flow = inner * np.minimum(warm, 2.0) / SUB_STEPS * np.diff(layer, axis=0)
            layer[:-1] += flow
            layer[1:] -= flow
            layer[0] += films[0] * np.sqrt(warm) / SUB_STEPS * LAYERS / 2 * (air_pct[day] - layer[0])
            layer[-1] += films[1] * np.sqrt(warm) / SUB_STEPS * LAYERS / 2 * (air_pct[day] - layer[-1])
        mean[day], face[day] = layer.mean(axis=0), layer[0]
    return mean, face


def _joint(
    kind: Kind,
    place: int,
    air: Daily,
    wood: tuple[FloatArray, FloatArray, FloatArray],
    rng: np.random.Generator,
) -> KnownDoor:
    sizes = TURN if kind == "turn" else OPENING
    mean, face, temp_c = wood
    onset = int(rng.integers(400, 1900)) if place % 2 == 0 else None
    stays = _stays(sizes, onset, mean, rng)
    steps = _steps(sizes, rng)
    shift = sum((size * (np.arange(DAYS) >= day) for day, size in steps), np.zeros(DAYS))
    gain = rng.uniform(*sizes.gain) * (1.0 if kind == "opening" else rng.choice([-1.0, 1.0]))
    season = -gain * (mean - mean.mean()) + sizes.face * (face - face.mean())
    season += sizes.by_degree * (temp_c - temp_c.mean())
    moved = stays + shift + season
    if kind == "opening":
        # a shoulder that is shut cannot shut further
        moved = np.maximum(moved, np.quantile(season, rng.uniform(0.0, 0.2)))
    value = moved + _gauge(sizes, rng)
    joint = KnownDoor(
        name=f"{kind}-{place}",
        role="healthy" if onset is None else "failing",
        daily=Daily(day=air.day, value=value, temp_c=air.temp_c, rh_pct=air.rh_pct),
        facts=FACTS[kind],
        secular_mm=stays,
        undeclared=tuple(day for day, _ in steps),
        step_sizes=steps,
        onset_day=onset,
    )
    return _until_taken_down(joint, MARKS[kind][1])


def _stays(sizes: Sizes, onset: int | None, mean: FloatArray, rng: np.random.Generator) -> FloatArray:
    years = np.arange(DAYS) / DAYS_PER_YEAR
    creep = rng.uniform(0.1, 0.4) * sizes.growth[0] * years ** rng.uniform(0.15, 0.3)
    if onset is None:
        return np.asarray(creep)
    since = np.maximum(np.arange(DAYS) - onset, 0) / DAYS_PER_YEAR
    grown = rng.uniform(*sizes.growth) * since ** rng.uniform(1.2, 1.7)
    by_wood = 1.0 - np.clip((mean - mean.mean()) / mean.std() / 1.5, -1.0, 1.0) / 3
    return np.asarray(creep + np.concatenate([[0.0], np.cumsum(np.diff(grown) * by_wood[1:])]))


def _steps(sizes: Sizes, rng: np.random.Generator) -> tuple[tuple[int, float], ...]:
    days = np.sort(rng.integers(150, DAYS - 60, rng.poisson(1.2)))
    return tuple((int(day), float(rng.uniform(*sizes.step) * rng.choice([-1, 1]))) for day in days)


def _gauge(sizes: Sizes, rng: np.random.Generator) -> FloatArray:
    """Walk, wander, daily noise of which a part lags, spikes, lost days and outages."""
    walk = np.cumsum(rng.normal(0.0, sizes.walk / np.sqrt(DAYS_PER_YEAR), DAYS))
    wander = _lagging(rng.uniform(*sizes.wander), rng.uniform(150, 400), rng)
    daily = _lagging(0.7 * sizes.daily, rng.uniform(2, 8), rng) + rng.normal(0, 0.7 * sizes.daily, DAYS)
    spikes = (rng.uniform(size=DAYS) < 0.006) * rng.uniform(5, 30, DAYS) * sizes.daily
    value: FloatArray = np.asarray(walk + wander + daily + spikes * rng.choice([-1, 1], DAYS))
    value[rng.uniform(size=DAYS) < 0.02] = np.nan
    for start in rng.integers(100, DAYS - 40, rng.integers(1, 4)):
        value[start : start + rng.integers(5, 26)] = np.nan
    return value


def _lagging(sd: float, days: float, rng: np.random.Generator) -> FloatArray:
    from scipy.signal import lfilter

    left = np.exp(-1.0 / days)
    drawn = rng.normal(0.0, sd * np.sqrt(1 - left**2), DAYS)
    drawn[0] = rng.normal(0.0, sd)
    return np.asarray(lfilter([1.0], [1.0, -left], drawn))


def _until_taken_down(joint: KnownDoor, mark: float) -> KnownDoor:
    crossing = crossing_day(joint, mark)
    last = DAYS - 1 if crossing is None else min(crossing + TAKEN_DOWN_DAYS, DAYS - 1)
    return replace(
        joint, daily=joint.daily.up_to(last), secular_mm=joint.secular_mm[: last + 1], crossing_day=crossing
    )
