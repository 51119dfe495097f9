"""The hung line: from which days everything is counted, and each gauge's reading then."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from server.inspection.values import DoorInputs

FloatArray = NDArray[np.float64]

BEDDING_DAYS, WINDOW_DAYS = 14, 14
GOOD_DAYS, GOOD_READINGS = 10, 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """The days [start, stop) since hanging from which is counted; `first` is provisional."""

    kind: Literal["none", "first", "hung"]
    start: int
    stop: int
    since_heard: bool
    zero_mm: Mapping[str, float]
    """Each gauge's median of those days; a gauge with too few of them is not there."""


def drawn_line(inputs: DoorInputs, gauges: tuple[str, ...]) -> Line:
    """The line of a door, from the gauges that are trended.

    Hung: the fortnight after a fortnight's use with at least 10 good days, a day later at a time; a day is
    good when at least half of the gauges have 12 readings or more. Before it, a first line in pencil from the
    first fortnight.
    """
    heard = np.array([np.isfinite(inputs.gauges[name].median) for name in gauges]).reshape(len(gauges), -1)
    days = np.flatnonzero(heard.any(axis=0))
    if days.size == 0:
        return Line(kind="none", start=0, stop=0, since_heard=False, zero_mm={})
    first, last = int(inputs.day[days[0]]), int(inputs.day[days[-1]])
    since_heard = first > BEDDING_DAYS
    good = heard & np.array([inputs.gauges[name].n >= GOOD_READINGS for name in gauges])
    start = _window(inputs.day[good.sum(axis=0) * 2 >= len(gauges)], first if since_heard else 0, last)
    if start is None:
        return _line(
            inputs, dict(zip(gauges, heard, strict=True)), kind="first", since_heard=since_heard, start=first
        )
    return _line(
        inputs, dict(zip(gauges, good, strict=True)), kind="hung", since_heard=since_heard, start=start
    )


def _window(good_days: NDArray[np.int64], since: int, last: int) -> int | None:
    for start in range(since + BEDDING_DAYS, last - WINDOW_DAYS + 2):
        if ((good_days >= start) & (good_days < start + WINDOW_DAYS)).sum() >= GOOD_DAYS:
            return start
    return None


def _line(
    inputs: DoorInputs,
    usable: Mapping[str, NDArray[np.bool_]],
    *,
    kind: Literal["first", "hung"],
    since_heard: bool,
    start: int,
) -> Line:
    stop = start + WINDOW_DAYS
    within = (inputs.day >= start) & (inputs.day < stop)
    needed = GOOD_DAYS if kind == "hung" else 1
    zero = {
        name: float(np.median(inputs.gauges[name].median[within & days]))
        for name, days in usable.items()
        if (within & days).sum() >= needed
    }
    return Line(
        kind=kind, start=start, stop=min(stop, int(inputs.day[-1]) + 1), since_heard=since_heard, zero_mm=zero
    )
