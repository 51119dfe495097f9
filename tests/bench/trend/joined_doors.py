"""Joints of simulated doors with their three series, and the watch over each of them night by night.

Invented data: whole doors of `tests.bench.asked.fleet` through the look's own day series, without a store.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from sensors.sources.simulated.doors import Opening, build_of
from server.doors.built import BuiltDoor, shoulder_pairs, spacing_mm
from server.doors.example import SITE
from server.doors.register import ChannelRef, DoorHung
from server.inspection.line import WINDOW_DAYS, drawn_line
from server.inspection.moisture import moisture_of
from server.inspection.series import made_series, trended_gauges
from server.inspection.values import DoorInputs, GaugeDays
from server.inspection.watching import daily_of
from server.readings.calibration import apply
from server.trend.answer import Decomposition
from server.trend.series import DAYS_PER_YEAR, PAIR_SPACING_MM, Daily, DoorFacts
from server.trend.tonight import Laid, laid_out, with_more_steps
from server.trend.watch import Watched, _stepped, began, night, refit_ages
from tests.bench.asked import Asked, Readings, readings_of

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

DAY_MS = 86_400_000
OPEN_MRAD, GROWTH_POWER, SET_SHARE = 0.166, 1.4, 0.15
"""Of a pair 170 mm apart; and as the simulated door has it: power of the years, share of a turn that sets."""
NEVER = 1e9
SOUGHT_FROM_Z, SOUGHT_EVERY_NIGHTS = 0.8, 5
"""When a step is looked for that would explain a turn's slope: each fifth night, to spare time."""
RAIL_MM = 810.0
JOINTS_OF_A_LEAF = 6
RACK_BY_TURN = RAIL_MM / 1000 / JOINTS_OF_A_LEAF
"""Rack in mm for each mrad of one joint, were the leaf six joints alike. A convention: it is not measured."""
RACK_SCALE, RACK_NOISE_MM = 0.4 * RACK_BY_TURN, 0.003
"""So that rack follows a joint as soon as its turn does; at the scale of sag it sees nothing of it."""
TAKEN_DOWN_DAYS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Nights:
    """The watch over one series with no alarm of its own; slopes a year in its own unit, shape (nights,)."""

    day: IntArray
    slope: FloatArray
    se: FloatArray
    slope_beside: FloatArray
    """Beside the late steps that a search finds; NaN on nights on which none was sought."""
    se_beside: FloatArray
    held: BoolArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """One joint with its `turn`, `opening` and `rack`, and what is true of it."""

    name: str
    spacing_mm: float
    daily: Mapping[str, Daily]
    facts: Mapping[str, DoorFacts]
    onset_day: int | None
    crossing_day: int | None
    """First day on which what stays of its turn, from the hung line, is at the open limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """What a simulated door is given beside its own: `noise_mm` of each gauge's day, the opening's `lever`.

    lever: the shoulder's heel stays shut and is the pivot, so far below the middle of the pair, in its
    spacings; 0 leaves the simulated door as it is, which turns about the middle.
    """

    noise_mm: float = 0.0
    lever: float = 0.0


def limit_mrad(spacing_mm: float) -> float:
    """The open limit of a pair so far apart."""
    return OPEN_MRAD * PAIR_SPACING_MM / spacing_mm


def until_open(asked: Asked, spacing_mm: float) -> Asked:
    """A door in which a joint opens, no longer than it takes."""
    if not isinstance(asked.opening, tuple):
        return asked
    _, onset_day, rho_mrad = asked.opening
    grown_years = (limit_mrad(spacing_mm) / rho_mrad) ** (1 / GROWTH_POWER)
    return replace(asked, years=round(onset_day / DAYS_PER_YEAR + grown_years + 0.05, 3))


def joints_of(asked: Asked, doubt: Doubt) -> Iterator[Joint]:
    """The joints of a door that have a pair."""
    inputs = _inputs(asked, doubt)
    line = drawn_line(inputs, trended_gauges(inputs.door.built))
    made = {one.key: one for one in made_series(inputs, line, moisture_of(inputs, line))}
    build = build_of(asked.like, seed=asked.seed, vary=asked.vary)
    for place, (name, pair) in enumerate(shoulder_pairs(inputs.door.built).items()):
        series = {"turn": made[f"turn:{name}"], "opening": made[f"opening:{name}"], "rack": made["rack"]}
        daily = {key: found for key, one in series.items() if (found := daily_of(inputs, one)) is not None}
        facts = {key: one.facts for key, one in series.items()}
        facts["rack"] = replace(facts["rack"], scale=RACK_SCALE, white=RACK_NOISE_MM, ar=RACK_NOISE_MM)
        day, spacing = daily["turn"].day, spacing_mm(pair)
        opened, onset_day = _opened(asked, name, day)
        shut = daily["opening"]
        lifted = shut.value + doubt.lever * spacing / 1000 * np.interp(shut.day, day, opened)
        stays = opened + SET_SHARE * build.turn_mrad[place] * (day / DAYS_PER_YEAR) ** build.set_power
        within = (day >= line.start) & (day < line.start + WINDOW_DAYS)
        over = np.flatnonzero(stays - stays[within].mean() >= limit_mrad(spacing))
        yield Joint(
            name=name,
            spacing_mm=spacing,
            daily=daily | {"opening": replace(shut, value=lifted)},
            facts=facts,
            onset_day=onset_day,
            crossing_day=int(day[over[0]]) if over.size else None,
        )


def nights_of(joint: Joint) -> dict[str, Nights]:
    """The watch over each of a joint's series, up to some days after it is open."""
    last = int(joint.daily["turn"].day[-1])
    if joint.crossing_day is not None:
        last = min(last, joint.crossing_day + TAKEN_DOWN_DAYS)
    return {
        key: watched_nights(daily.up_to(last), joint.facts[key], sought=key == "turn")
        for key, daily in joint.daily.items()
    }


def watched_nights(daily: Daily, facts: DoorFacts, *, sought: bool) -> Nights:
    """The watch over a series from its first fit on. `sought`: whether late steps are looked for."""
    rows = [
        (watched, _stepped(watched, laid) if sought and _is_asked(watched) else None)
        for watched, laid in _nights(daily, replace(facts, alarm=NEVER))
    ]
    if not rows:
        nothing = np.zeros(0)
        return Nights(
            day=np.zeros(0, np.int64),
            slope=nothing,
            se=nothing,
            slope_beside=nothing,
            se_beside=nothing,
            held=np.zeros(0, np.bool_),
        )
    slopes = np.array(
        [(*_slope(one), *(_slope(other) if other else (np.nan, np.nan))) for one, other in rows]
    )
    slope, se, slope_beside, se_beside = slopes.T * facts.scale
    return Nights(
        day=np.array([int(daily.day[0]) + one.place for one, _ in rows]),
        slope=slope,
        se=se,
        slope_beside=slope_beside,
        se_beside=se_beside,
        held=np.array([bool(one.held) for one, _ in rows]),
    )


def _nights(daily: Daily, facts: DoorFacts) -> Iterator[tuple[Watched, Laid]]:
    """As `server.trend.watch.nights`, with the record as it was laid out that night."""
    watched: Watched | None = None
    ages = refit_ages(int(daily.day[-1] - daily.day[0]))
    ends = (*(later - 1 for later in ages[1:]), daily.day.size - 1)
    for age, until in zip(ages, ends, strict=False):
        begun = began(daily.up_to(int(daily.day[age])), facts, before=watched)
        watched = begun[0] if begun else watched
        if watched is None:
            continue
        kept = replace(watched.kept, steps=(*watched.kept.steps, *watched.online))
        laid = laid_out(kept, daily, facts, through=int(daily.day[until]))
        if isinstance(laid, Decomposition):
            continue
        if begun:
            yield watched, laid
        for place in range(watched.place + 1, until + 1):
            watched, _ = night(watched, laid, place)
            laid = with_more_steps(laid, watched.online)
            yield watched, laid


def _is_asked(watched: Watched) -> bool:
    return watched.z > SOUGHT_FROM_Z and not watched.held and watched.place % SOUGHT_EVERY_NIGHTS == 0


def _slope(watched: Watched) -> tuple[float, float]:
    return float(watched.posterior.mean[1]), float(np.sqrt(watched.posterior.covariance[1, 1]))


def _opened(asked: Asked, joint: str, day: IntArray) -> tuple[FloatArray, int | None]:
    if not isinstance(asked.opening, tuple) or asked.opening[0] != joint:
        return np.zeros(day.size), None
    opening = Opening(joint=joint, onset_day=asked.opening[1], rho_mrad=asked.opening[2])
    return np.array([opening.turn_mrad(at) for at in (day / DAYS_PER_YEAR).tolist()]), int(opening.onset_day)


def _inputs(asked: Asked, doubt: Doubt) -> DoorInputs:
    """A door's days as the store would give them."""
    readings, hung_day = readings_of(asked.simulated), round(asked.start.timestamp()) * 1000 // DAY_MS
    values = _calibrated(asked, readings)
    numbers = readings.ms // DAY_MS
    days = [
        np.array(list(some)) for _, some in groupby(range(numbers.size), key=numbers.tolist().__getitem__)
    ]
    shut = [one[readings.values["shut"][one] == 1.0] for one in days]
    door = _hung(asked)
    rng = np.random.default_rng(asked.seed)
    return DoorInputs(
        door=door,
        hung_day=hung_day,
        day=np.array([numbers[one[0]] for one in days]) - hung_day,
        gauges={
            name: GaugeDays(
                median=_medians(values[name], shut) + _noise(len(days), doubt.noise_mm, rng),
                n=np.array([one.size for one in shut]),
            )
            for name in trended_gauges(door.built)
        },
        temp_c=np.array([values["air-temp"][one].mean() for one in days]),
        rh_pct=np.array([values["air-rh"][one].mean() for one in days]),
    )


def _medians(value: FloatArray, days: Sequence[IntArray]) -> FloatArray:
    return np.array([np.median(value[one]) if one.size else np.nan for one in days])


def _calibrated(asked: Asked, readings: Readings) -> dict[str, FloatArray]:
    """Every channel's readings in its calibration's unit."""
    return {
        name: apply(one.kind, one.coefficients, readings.values[name]).value
        for one in asked.records
        if (name := one.channel.rpartition("/")[2])
    }


def _noise(days: int, noise_mm: float, rng: np.random.Generator) -> FloatArray:
    """Of a gauge's day, a half of its variance lagging by some days."""
    from scipy.signal import lfilter

    left = np.exp(-1.0 / rng.uniform(2, 8))
    drawn = rng.normal(0.0, noise_mm * np.sqrt(0.5), (2, days))
    return np.asarray(lfilter([np.sqrt(1 - left**2)], [1.0, -left], drawn[0]) + drawn[1])


def _hung(asked: Asked) -> DoorHung:
    """A door as the register gives it."""
    built: BuiltDoor = asked.built
    return DoorHung(
        id=1,
        site=SITE,
        zone="Europe/London",
        ref=f"{SITE}/{asked.name}",
        name=asked.name,
        shown=built.shown,
        hung=asked.start,
        built=built,
        channels={
            one.channel: ChannelRef(
                id=place, name=f"{SITE}/{asked.name}/{one.channel}", unit=one.unit, kind=one.kind
            )
            for place, one in enumerate(built.gauges)
        },
        node_id=1,
        node_last_heard_ms=None,
        node_status=None,
        upload_s=3600,
    )
