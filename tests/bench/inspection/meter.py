"""What a reading at hanging is worth: `python -m tests.bench.inspection.meter [--seeds 8] [--years 3]`.

Simulated doors `north` whose joints turn and do not open, so that no mean opening grows: each is asked by the
full estimator without a reading of its leaf's moisture at hanging, as the service does, and as if one, drawn
about the true start with the sd it is said to have, told where the wood goes. Prints bias, rmse, half-width
and coverage of the mean openings' rate, and how far the droop of kit A may be used on the days (that of F has
the same error, joinery section 8).
"""

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from sensors.sources.simulated.door import SimulatedDoor
from sensors.sources.simulated.kits import KITS
from sensors.sources.simulated.wood import START_PCT
from server.doors.built import BuiltDoor
from server.doors.example import example_text
from server.doors.file import read_door
from server.inspection.line import drawn_line
from server.inspection.moisture import moisture_of
from server.inspection.moved import moved_in
from server.inspection.series import made_series
from server.inspection.spans import spans_of, trended_gauges
from server.inspection.values import DoorInputs, GaugeDays
from server.inspection.watching import daily_of
from server.timber.slab import METER_SD_PCT
from server.trend.refit import refit
from tests.bench.inspection.__main__ import days_of
from tests.inspection.doors import hung

DAY_MS = 86_400_000
HUNG = datetime(2023, 11, 20, 8, tzinfo=UTC)
HUNG_MS = round(HUNG.timestamp() * 1000)
ASKED = ("without", "with")


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A joint's rate with its bounds, mm a year; its truth is 0."""

    rate: float
    low: float
    high: float


def inputs_of(seed: int, years: float, meter_pct: float | None) -> DoorInputs:
    """A simulated north's days, and what a meter said of its leaf when it was hung."""
    made = SimulatedDoor(door="north", seed=seed, start_ms=HUNG_MS, years=years, opening="none", vary=True)
    built = replace(
        read_door(example_text("north", hung=HUNG), where="north.toml").built,
        moisture_at_hanging_pct=meter_pct,
        moisture_at_hanging_sd_pct=None if meter_pct is None else METER_SD_PCT,
    )
    return read_of(made, built)


def read_of(made: SimulatedDoor, built: BuiltDoor) -> DoorInputs:
    """What a look has of a simulated door that was hung when these are."""
    day, median, mean = days_of(made)
    names = [name for name in trended_gauges(built) if name in median]
    count = np.full(day.size, DAY_MS // (1000 * made.history_step_s))
    return DoorInputs(
        door=replace(hung(made.door, built=built), hung=HUNG, built=built),
        hung_day=HUNG_MS // DAY_MS,
        day=day - HUNG_MS // DAY_MS,
        gauges={name: GaugeDays(median=median[name], n=count) for name in names},
        temp_c=mean["air-temp"],
        rh_pct=mean["air-rh"],
    )


def metered(inputs: DoorInputs, pct: float, sd_pct: float) -> DoorInputs:
    """The same days with a reading."""
    built = replace(inputs.door.built, moisture_at_hanging_pct=pct, moisture_at_hanging_sd_pct=sd_pct)
    return replace(inputs, door=replace(inputs.door, built=built))


def answers(inputs: DoorInputs) -> list[Answer]:
    """The rate of each joint's mean opening that is told."""
    built = inputs.door.built
    line = drawn_line(inputs, trended_gauges(built))
    found = []
    for one in made_series(inputs, line, moisture_of(inputs, line)):
        daily = daily_of(inputs, one) if one.key.startswith("opening:") else None
        # which the service leaves out: what it would come to is what is asked here
        facts = replace(one.facts, start_pct=built.moisture_at_hanging_pct)
        told = None if daily is None else refit(daily, facts)
        if told is not None and told.rate is not None and told.rate_low is not None:
            found.append(Answer(rate=told.rate, low=told.rate_low, high=2 * told.rate - told.rate_low))
    return found


def droop_usable(inputs: DoorInputs, letter: str) -> tuple[float, float]:
    """Of the days after the line, on how many a kit's droop may be judged, and may be followed at least."""
    names = set(KITS[letter]) & {gauge.channel for gauge in inputs.door.built.gauges}
    built = replace(
        inputs.door.built, gauges=tuple(one for one in inputs.door.built.gauges if one.channel in names)
    )
    mine = replace(inputs, door=replace(inputs.door, built=built))
    line = drawn_line(mine, trended_gauges(built))
    (part,) = moved_in(mine, spans_of(mine), line.each, moisture_of(mine, line))
    told = np.array(part.movement.told("droop"))[mine.day >= line.stop]
    return float((told == "usable").mean()), float((told != "not_told").mean())


def summed(name: str, found: Sequence[Answer], asked: int) -> str:
    """A line of the table."""
    rate = np.array([one.rate for one in found])
    half = np.array([one.high - one.rate for one in found])
    held = np.array([one.low <= 0 <= one.high for one in found])
    rmse = np.sqrt((rate**2).mean())
    return (
        f"{name:8} told {len(found)} of {asked}  bias {rate.mean():+.4f}  rmse {rmse:.4f}  "
        f"median half-width {np.median(half):.4f} mm/yr  covered {held.mean():.3f}"
    )


def main() -> int:
    """Ask every door and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=8)
    parser.add_argument("--years", type=float, default=3.0)
    parser.add_argument("--meter-sd", type=float, default=METER_SD_PCT)
    asked = parser.parse_args()
    rng = np.random.default_rng(20261126)
    found: dict[str, list[Answer]] = {name: [] for name in ASKED}
    days: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for seed in range(1, asked.seeds + 1):
        plain = inputs_of(seed, asked.years, None)
        reading = metered(plain, float(START_PCT + rng.normal(0, asked.meter_sd)), asked.meter_sd)
        for name, inputs in zip(ASKED, (plain, reading), strict=True):
            found[name] += answers(inputs)
            days.setdefault(("A", name), []).append(droop_usable(inputs, "A"))
    for name in ASKED:
        sys.stdout.write(summed(name, found[name], 3 * asked.seeds) + "\n")
    for (letter, name), shares in days.items():
        usable, followed = np.array(shares).mean(axis=0)
        sys.stdout.write(f"kit {letter} {name:8} droop judged on {usable:.2f} of days, told {followed:.2f}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
