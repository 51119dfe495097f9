"""Slams: gauges on different feet that jump at one instant and stay so. Days tell where to look."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.doors.built import BuiltDoor, shoulder_pairs, spacing_mm
from server.inspection.values import GaugeDays, Jump
from server.joinery.leaf import POSITION_KINDS, turn_mrad

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BEFORE_AFTER = 12
LEAST_MM, LEAST_MRAD = 0.10, 0.05
# Of daily medians, which hold part of the jump's own day: a little less, so that none is passed over. Two
# turns alone are looked into from twice the least on: smaller ones lie within the gauges' own days.
LOOK_MM, LOOK_MRAD, LOOK_TURNS_MRAD = 0.08, 0.04, 0.10
TOGETHER = 2
HOUR_MS = 3_600_000
LASTING_MS = 24 * HOUR_MS
MOST_DAYS = 3
Readings = Mapping[str, tuple[IntArray, FloatArray]]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    """A gauge's instants, and of each the median and the mean of the 12 readings from it on."""

    ms: IntArray
    median: FloatArray
    mean: FloatArray

    @classmethod
    def of(cls, ms: IntArray, value: FloatArray) -> "_Run":
        twelves = np.lib.stride_tricks.sliding_window_view(value, BEFORE_AFTER)
        return cls(ms=ms, median=np.median(twelves, axis=1), mean=twelves.mean(axis=1))

    def places(self, at_ms: int, earlier_ms: int, later_ms: int) -> tuple[int, int] | None:
        """Where the 12 readings before an instant begin, and the 12 from it on; None with too few."""
        before, after = (int(one) for one in np.searchsorted(self.ms, (at_ms - earlier_ms, at_ms + later_ms)))
        return None if before < BEFORE_AFTER or after >= self.mean.size else (before - BEFORE_AFTER, after)


def days_to_look_at(
    built: BuiltDoor, gauges: Mapping[str, GaugeDays], day: IntArray, since: int
) -> list[int]:
    """The days from `since` on at which a jump may be, newest first, three at most; by medians alone."""
    found = []
    for place in range(1, day.size - 1):
        if day[place] < since:
            continue
        mm = {name: float(one.median[place + 1] - one.median[place - 1]) for name, one in gauges.items()}
        if _is_worth(built, mm):
            found.append(int(day[place]))
    return found[::-1][:MOST_DAYS]


def jump_on(built: BuiltDoor, readings: Readings, start_ms: int, stop_ms: int) -> Jump | None:
    """The greatest jump at an instant of [start_ms, stop_ms) that lasts; None where there is none.

    `readings`: of each gauge the instants and values in mm, door shut, in order of time. One that is over
    before a day has passed was a door ajar; one that is younger is given with the hours that it has lasted.
    """
    runs = {name: _Run.of(ms, mm) for name, (ms, mm) in readings.items() if ms.size >= 2 * BEFORE_AFTER}
    if not runs:
        return None
    instants = np.unique(np.concatenate([run.ms for run in runs.values()]))
    last_ms = max(int(run.ms[-1]) for run in runs.values())
    best, jump = 0.0, None
    for at_ms in instants[(instants >= start_ms) & (instants < stop_ms)].tolist():
        # medians are as high some readings to either side: by the mean the very instant is found
        size, moved = _size(built, _moved(runs, at_ms, by_mean=True)), _moved(runs, at_ms)
        lasts_ms = last_ms - at_ms
        later_ms = LASTING_MS if lasts_ms >= LASTING_MS else 0
        if size <= best or not _is_together(built, moved):
            continue
        # against the day before as well: the end of something that had lasted some hours is no jump
        if _is_together(built, _moved(runs, at_ms, earlier_ms=LASTING_MS, later_ms=later_ms)):
            channels = tuple(sorted(_gauges_of(built, moved)))
            most_mm = max(abs(moved[name]) for name in channels)
            best = size
            jump = Jump(t_ms=at_ms, channels=channels, most_mm=most_mm, lasts_h=lasts_ms / HOUR_MS)
    return jump


def _moved(
    runs: Mapping[str, _Run], at_ms: int, *, earlier_ms: int = 0, later_ms: int = 0, by_mean: bool = False
) -> dict[str, float]:
    """How far each gauge moved at an instant, mm; one with too few readings on either side is left out.

    `earlier_ms`, `later_ms`: how much before and after the instant is compared.
    """
    found = {}
    for name, run in runs.items():
        places = run.places(at_ms, earlier_ms, later_ms)
        if places is not None:
            told = run.mean if by_mean else run.median
            found[name] = float(told[places[1]] - told[places[0]])
    return found


def _turns(built: BuiltDoor, mm: Mapping[str, float]) -> dict[str, float]:
    """Of each joint whose pair is there its change of turn, mrad."""
    return {
        joint: float(
            turn_mrad(
                mm[top.channel],
                mm[bottom.channel],
                spacing_mm=spacing_mm((top, bottom)),
                end=joint.rpartition("-")[2],
            )
        )
        for joint, (top, bottom) in shoulder_pairs(built).items()
        if top.channel in mm and bottom.channel in mm
    }


def _feet(built: BuiltDoor) -> dict[str, str]:
    """Of each gauge its foot: those of one shoulder stand on one stile and one rail."""
    kinds = (*POSITION_KINDS, "shoulder", "droop")
    return {one.channel: one.joint or one.channel for one in built.gauges if one.kind in kinds}


def _is_worth(built: BuiltDoor, mm: Mapping[str, float]) -> bool:
    feet = _feet(built)
    gauged = {feet[name] for name, one in mm.items() if name in feet and abs(one) >= LOOK_MM}
    turned = {joint: abs(one) for joint, one in _turns(built, mm).items()}
    small = {joint for joint, one in turned.items() if one >= LOOK_MRAD}
    large = {joint for joint, one in turned.items() if one >= LOOK_TURNS_MRAD}
    return (bool(gauged) and len(gauged | small) >= TOGETHER) or len(large) >= TOGETHER


def _jumped(built: BuiltDoor, mm: Mapping[str, float]) -> tuple[set[str], set[str]]:
    """The gauges and the joints that jumped by as much as counts."""
    feet = _feet(built)
    gauges = {name for name, one in mm.items() if name in feet and abs(one) >= LEAST_MM}
    return gauges, {joint for joint, one in _turns(built, mm).items() if abs(one) >= LEAST_MRAD}


def _is_together(built: BuiltDoor, mm: Mapping[str, float]) -> bool:
    gauges, joints = _jumped(built, mm)
    feet = _feet(built)
    return len({feet[name] for name in gauges} | joints) >= TOGETHER


def _gauges_of(built: BuiltDoor, mm: Mapping[str, float]) -> set[str]:
    """The gauges that jumped; of a joint that turned, both of its pair."""
    gauges, joints = _jumped(built, mm)
    pairs = shoulder_pairs(built)
    return gauges | {gauge.channel for joint in joints for gauge in pairs[joint]}


def _size(built: BuiltDoor, mm: Mapping[str, float]) -> float:
    turned = sum(abs(one) / LEAST_MRAD for one in _turns(built, mm).values())
    return turned + sum(abs(one) / LEAST_MM for one in mm.values())
