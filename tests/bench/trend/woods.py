"""Doors of unlike wood: `python -m tests.bench.trend.woods [--doors 20] [--first-seed 1] [--years 2 3 6]`.

Simulated doors in which no joint fails; how fast their wood follows the air, what the far face breathes, how
far it lags, how damp it was glued and how deep its joints are anchored are drawn anew for each. Prints of the
droop, a turn and a mean opening how many 95 % intervals of the rate hold the truth; with `--watch` also how
often each was alarmed, every time for nothing; with `--spoil` the same with each of `spoilt.SPOILS` done to
the readings. The alarms are the series' own: of one that rests on a gauge in doubt the service says nothing
but the doubt. Invented data.
"""

import argparse
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from functools import cached_property, partial

import numpy as np

from sensors.sources.simulated.door import SimulatedDoor
from sensors.sources.simulated.doors import JOINTS, DoorBuild
from sensors.sources.simulated.wood import START_PCT
from server.doors.example import example_text
from server.doors.file import read_door
from server.inspection.line import drawn_line
from server.inspection.moisture import moisture_of
from server.inspection.series import made_series
from server.inspection.spans import trended_gauges
from server.inspection.values import DoorInputs
from server.inspection.watching import daily_of
from server.trend.refit import refit
from server.trend.series import DAYS_PER_YEAR
from server.trend.watch import watch
from tests.bench.inspection.meter import HUNG, HUNG_MS, read_of
from tests.bench.trend.spoilt import AS_THEY_ARE, SPOILS
from tests.bench.truths import Truth

SETTLED, STEP_S = 90, 10_800
KEYS = ("droop", "turn:lock-hinge", "opening:lock-hinge")


@dataclass(frozen=True, kw_only=True)
class DrawnWood(SimulatedDoor):
    """A door of the yard whose wood is drawn from its seed."""

    @cached_property
    def _build(self) -> DoorBuild:
        rng = np.random.default_rng([self.seed, self.door == "north"])
        drawn = partial(_between, rng)
        return replace(
            super()._build,
            d20_mm2_per_day=drawn(3.0, 15.0),
            film_outer_mm_per_day=drawn(0.05, 1.5) if rng.uniform() < 0.5 else 0.0,
            film_inner_mm_per_day=drawn(0.2, 2.0),
            hysteresis_pct=float(rng.uniform(0.0, 0.6)),
            anchor_mm=drawn(12.0, 50.0),
            glue_up_pct=START_PCT + float(rng.uniform(0.0, 1.0)),
        )

    def truth(self) -> Truth:
        """What of each series has stayed, day by day."""
        rows = list(self.truth_rows())
        columns = {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}
        return Truth(columns=columns, parameters={"joints": JOINTS, **asdict(self._build)})


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A door, after how many years each it is asked, and whether it is watched."""

    door: str
    seed: int
    years: Sequence[float]
    is_watched: bool = False
    spoils: Sequence[str] = (AS_THEY_ARE,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What was said of a series after some years, a year; None where no rate was told."""

    spoil: str
    key: str
    years: float
    truth: float
    rate: float | None
    half: float
    alarms: int | None = None
    """How often it was alarmed in these years, on the last of them; None where it was not watched."""


def answers(asked: Asked) -> list[Answer]:
    """A door's answers after so many years each, by the full estimator."""
    made = DrawnWood(
        door=asked.door,
        seed=asked.seed,
        start_ms=HUNG_MS,
        years=max(asked.years),
        opening="none",
        vary=True,
        history_step_s=STEP_S,
    )
    built = read_door(example_text(asked.door, hung=HUNG), where=f"{asked.door}.toml").built
    inputs, truth = read_of(made, built), made.truth()
    return [one for spoil in asked.spoils for one in _answered(asked, spoil, SPOILS[spoil](inputs), truth)]


def _answered(asked: Asked, spoil: str, inputs: DoorInputs, truth: Truth) -> list[Answer]:
    line = drawn_line(inputs, trended_gauges(inputs.door.built))
    found = []
    for one in made_series(inputs, line, moisture_of(inputs, line)):
        daily = daily_of(inputs, one)
        if one.key not in KEYS or daily is None:
            continue
        alarms = len(watch(daily, one.facts)) if asked.is_watched else None
        for some in asked.years:
            last = min(round(some * DAYS_PER_YEAR), int(daily.day[-1])) - 1
            told = refit(daily, one.facts, through=last)
            half = np.nan if told.interval is None else told.interval.half_width
            stays = truth.stays(one.key)
            grown = float(stays[last] - stays[SETTLED]) / (last - SETTLED) * DAYS_PER_YEAR
            answer = Answer(spoil=spoil, key=one.key, years=some, truth=grown, rate=told.rate, half=half)
            found.append(replace(answer, alarms=alarms) if some == max(asked.years) else answer)
    return found


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    """Drawn evenly in the logarithm."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def summed(found: Sequence[Answer]) -> str:
    """How many were told, how far off, and how many held the truth."""
    told = [(one.rate - one.truth, one.half) for one in found if one.rate is not None]
    if not told:
        return f"told 0 of {len(found)}"
    off, half = np.array(told).T
    return (
        f"told {len(told)} of {len(found)}, held {(np.abs(off) <= half).mean():.3f}, bias {off.mean():+.4f}, "
        f"rmse {np.sqrt((off**2).mean()):.4f}, half-width {np.median(half):.4f}"
    )


def main() -> int:
    """Ask every door and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--doors", type=int, default=20)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--years", type=float, nargs="+", default=[2.0, 3.0, 6.0])
    parser.add_argument("--watch", action="store_true")
    parser.add_argument("--spoil", action="store_true")
    given = parser.parse_args()
    seeds = range(given.first_seed, given.first_seed + given.doors)
    asked = [
        Asked(
            door=("north", "south")[seed % 2],
            seed=seed,
            years=given.years,
            is_watched=given.watch,
            spoils=tuple(SPOILS) if given.spoil else (AS_THEY_ARE,),
        )
        for seed in seeds
    ]
    with ProcessPoolExecutor(2) as pool:
        found = [one for some in pool.map(answers, asked) for one in some]
    for spoil in asked[0].spoils:
        sys.stdout.write(f"{spoil}:\n")
        _print([one for one in found if one.spoil == spoil], given.years)
    return 0


def _print(found: Sequence[Answer], years: Sequence[float]) -> None:
    for key in KEYS:
        for each in years:
            some = [one for one in found if (one.key, one.years) == (key, each)]
            sys.stdout.write(f"{key:19} {each:g} y: {summed(some)}\n")
        false = [one.alarms for one in found if one.key == key and one.alarms is not None]
        if false:
            door_years = len(false) * (max(years) - 1)
            sys.stdout.write(f"{key:19} {sum(false)} false alarms in {door_years:g} watched years\n")


if __name__ == "__main__":
    sys.exit(main())
