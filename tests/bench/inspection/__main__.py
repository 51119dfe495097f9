"""Simulated doors against what a look says: `python -m tests.bench.inspection [--doors 100] [--years 3]`.

Each door is a simulated one with its rates drawn from its seed and no joint failing, read through its own
gauges and an installer's calibrations. Prints how many 95 % intervals of the droop's rate hold the truth.
Without database and wire: day medians are made as the store makes them.
"""

import argparse
import json
import sys
from datetime import UTC, datetime
from itertools import groupby

import numpy as np

from sensors.sources.simulated.door import SimulatedDoor
from server.doors.example import example_text
from server.doors.file import read_door
from server.doors.register import ChannelRef, DoorHung
from server.inspection.look import look
from server.inspection.series import trended_gauges
from server.inspection.values import DoorInputs, GaugeDays
from server.readings.calibration import apply, read_records
from server.trend.series import DAYS_PER_YEAR

DAY_MS = 86_400_000
START = datetime(2022, 3, 2, 8, tzinfo=UTC)
SETTLED = 90


def hung(name: str) -> DoorHung:
    """A demo door as the register gives it."""
    built = read_door(example_text(name, hung=START), where=f"{name}.toml").built
    names = [gauge.channel for gauge in built.gauges]
    units = {gauge.channel: (gauge.unit, gauge.kind) for gauge in built.gauges}
    channels = {
        one: ChannelRef(id=k, name=f"saltmarsh-yard/{name}/{one}", unit=units[one][0], kind=units[one][1])
        for k, one in enumerate(names)
    }
    return DoorHung(
        id=1,
        site="saltmarsh-yard",
        zone="Europe/London",
        ref=f"saltmarsh-yard/{name}",
        name=name,
        shown=built.shown,
        hung=START,
        built=built,
        channels=channels,
        node_id=1,
        node_last_heard_ms=None,
        node_status=None,
        upload_s=3600,
    )


def days_of(door: SimulatedDoor) -> tuple[np.ndarray, dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Day numbers, and per channel the door-shut median and the mean of each day, calibrated."""
    names = [each.name for each in door.channels]
    scale = np.array([10.0**-each.decimals for each in door.channels])
    instants = list(door.instants())
    ms = np.array([each.ms for each in instants])
    raw = np.array([each.values for each in instants], dtype=float) * scale
    made = {}
    for record in read_records(_json(door), where="calibration.json"):
        at = names.index(record.channel.rpartition("/")[2])
        made[names[at]] = apply(record.kind, record.coefficients, raw[:, at]).value
    shut = raw[:, names.index("shut")] == 1.0
    spans = [list(group) for _, group in groupby(range(ms.size), key=lambda k: ms[k] // DAY_MS)]
    day = np.array([ms[span[0]] // DAY_MS for span in spans])
    kept = [np.array([k for k in span if shut[k]], dtype=int) for span in spans]
    median = {
        name: np.array([np.median(value[some]) if some.size else np.nan for some in kept])
        for name, value in made.items()
    }
    mean = {name: np.array([value[span].mean() for span in spans]) for name, value in made.items()}
    return day, median, mean


def _json(door: SimulatedDoor) -> str:
    return json.dumps(door.calibration("saltmarsh-yard", door.door))


def true_rate(door: SimulatedDoor) -> float:
    """Growth a year of what stays of the droop, from the settled day to the last."""
    stays = [float(row["droop_stays_mm"]) for row in door.truth_rows()]
    return (stays[-1] - stays[SETTLED]) / (len(stays) - 1 - SETTLED) * DAYS_PER_YEAR


def looked_at(name: str, seed: int, years: float) -> tuple[float, float | None, float | None]:
    """True rate, and the bounds that the look gives; None where refused."""
    start_ms = round(START.timestamp() * 1000)
    door = SimulatedDoor(door=name, seed=seed, start_ms=start_ms, years=years, opening="none", vary=True)
    day, median, mean = days_of(door)
    there = hung(name)
    gauges = {
        one: GaugeDays(median=median[one], n=np.full(day.size, 16)) for one in trended_gauges(there.built)
    }
    inputs = DoorInputs(
        door=there,
        hung_day=start_ms // DAY_MS,
        day=day - start_ms // DAY_MS,
        gauges=gauges,
        temp_c=mean["air-temp"],
        rh_pct=mean["air-rh"],
    )
    droop = next(one for one in look(inputs).series if one.key == "droop")
    return true_rate(door), droop.low, droop.high


def main() -> int:
    """Look at the doors and print the share covered."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--doors", type=int, default=100)
    parser.add_argument("--years", type=float, default=3.0)
    asked = parser.parse_args()
    served = held = 0
    misses, widths = [], []
    for k in range(asked.doors):
        rate, low, high = looked_at(("north", "south")[k % 2], 1000 + k, asked.years)
        if low is None or high is None:
            continue
        served += 1
        held += low <= rate <= high
        misses.append((low + high) / 2 - rate)
        widths.append((high - low) / 2)
    sys.stdout.write(
        f"{asked.doors} doors, {asked.years:g} years, no joint failing: {served} served, {held} hold it; "
        f"rmse {np.sqrt(np.mean(np.square(misses))):.3f}, bias {np.mean(misses):+.3f}, "
        f"median half-width {np.median(widths):.3f} mm/yr\n"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
