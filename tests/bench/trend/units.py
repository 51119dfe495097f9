"""Other units: a joint's turn and a shoulder's opening, at the scales that are declared for them.

Run as `python -m tests.bench.trend.units`, or with `turn` or `opening`. Invented data, one seed, run once.
"""

import sys
from collections.abc import Iterator
from dataclasses import replace
from typing import cast

import numpy as np

from server.trend.series import DAYS_PER_YEAR
from server.trend.watch import Alarm, watch
from tests.bench.trend.doors import KnownDoor
from tests.bench.trend.joints import MARKS, Kind, crossing_day, known_joints
from tests.bench.trend.rates import rate_rows

SEED = 21


def unit_rows(kind: Kind, *, scale: float | None = None) -> Iterator[str]:
    """Rates and alarms; with `scale`, as if that were declared with the noise and bars of sag."""
    joints = known_joints(kind, SEED)
    if scale is not None:
        joints = [replace(joint, facts=replace(joint.facts, scale=scale)) for joint in joints]
    yield from rate_rows(joints, asked_size=0.0)
    alarms = [watch(joint.daily, joint.facts) for joint in joints]
    yield _false(joints, alarms)
    for mark in MARKS[kind]:
        yield _leads(joints, alarms, mark)


def _false(joints: list[KnownDoor], alarms: list[list[Alarm]]) -> str:
    false, years = 0, 0.0
    for joint, found in zip(joints, alarms, strict=True):
        until = int(joint.daily.day[-1]) if joint.onset_day is None else joint.onset_day
        false += sum(alarm.day < until for alarm in found)
        years += max(until - DAYS_PER_YEAR, 0.0) / DAYS_PER_YEAR
    return f"false alarms {false} in {years:.0f} joint-years, {10 * false / years:.2f} a joint in 10 years"


def _leads(joints: list[KnownDoor], alarms: list[list[Alarm]], mark: float) -> str:
    leads, asked = [], 0
    for joint, found in zip(joints, alarms, strict=True):
        crossing = crossing_day(joint, mark)
        if joint.onset_day is None or crossing is None:
            continue
        asked += 1
        first = next((alarm.day for alarm in found if alarm.day >= joint.onset_day), None)
        if first is not None:
            leads.append(crossing - first)
    before = sum(lead > 0 for lead in leads)
    low, middle = np.percentile(leads, [10, 50]) if leads else (np.nan, np.nan)
    return (
        f"alarm before {mark:g}: {before} of {asked}, in all {len(leads)}; lead median {middle:.0f} d,"
        f" 10th percentile {low:.0f} d"
    )


if __name__ == "__main__":
    for name in sys.argv[1:] or ("turn", "opening"):
        for row in unit_rows(cast("Kind", name)):
            sys.stdout.write(f"{name}: {row}\n")
            sys.stdout.flush()
