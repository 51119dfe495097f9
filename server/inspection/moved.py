"""How a leaf moved in its opening, version by version: by that version's gauges, opening and line."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from server.doors.built import BuiltDoor
from server.doors.carpentry import shape_of, stations_of
from server.doors.changes import GAUGE_MOVED
from server.inspection.line import Line
from server.inspection.moisture import Moisture
from server.inspection.spans import Span
from server.inspection.values import DoorInputs
from server.joinery import leaf

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
DERIVED = ("droop", "sag", "rack")


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """A stretch of days with one set of gauges and one zero.

    `mine`: which of the door's days it is of, shape (days,); `change_mm` (its days, gauges), `growth` and
    `movement` are of those days alone. A gauge's sd is its own, or its spread on the line's days if larger.
    """

    built: BuiltDoor
    mine: BoolArray
    stations: Mapping[str, leaf.Station]
    change_mm: FloatArray
    growth: leaf.Growth
    movement: leaf.Movement

    @property
    def gauges(self) -> tuple[str, ...]:
        """Their names, in the order of the columns."""
        return tuple(self.stations)


def moved_in(
    inputs: DoorInputs, spans: tuple[Span, ...], lines: tuple[Line, ...], moisture: Moisture | None
) -> tuple[Moved, ...]:
    """The leaf's movement in each stretch; empty where no gauge tells where it is.

    A version in which no gauge of the leaf was touched goes on with the zero of the one before.
    """
    if inputs.day.size == 0:
        return ()
    found = []
    for first, last in _stretches(spans):
        mine = np.any([span.within(inputs.day) for span in spans[first : last + 1]], axis=0)
        part = _moved(inputs, spans[last].built, lines[first], (mine, moisture))
        if part is not None:
            found.append(part)
    return tuple(found)


def _stretches(spans: tuple[Span, ...]) -> list[tuple[int, int]]:
    """First and last place of the versions that share a zero."""
    found: list[tuple[int, int]] = []
    for place, span in enumerate(spans):
        if place and _leaf_goes_on(spans[place - 1], span):
            found[-1] = (found[-1][0], place)
        else:
            found.append((place, place))
    return found


def _leaf_goes_on(before: Span, now: Span) -> bool:
    was, is_now = stations_of(before.built), stations_of(now.built)
    untouched = set(is_now).isdisjoint(now.version.moved) and set(was) == set(is_now)
    return now.version.because == GAUGE_MOVED and untouched


def _moved(
    inputs: DoorInputs, built: BuiltDoor, line: Line, days: tuple[BoolArray, Moisture | None]
) -> Moved | None:
    mine, moisture = days
    stations = {
        name: replace(one, sd_mm=line.sd_mm(name, one.sd_mm))
        for name, one in stations_of(built).items()
        if name in inputs.gauges
    }
    if not stations or len(built.hinges) < 2 or not mine.any():
        return None
    change = np.column_stack(
        [inputs.gauges[name].median[mine] - line.zero_mm.get(name, np.nan) for name in stations]
    )
    growth = _growth(inputs, line, mine, moisture)
    movement = leaf.moved(
        shape_of(built), list(stations.values()), change, opening=built.opening.kind, growth=growth
    )
    return Moved(
        built=built,
        mine=mine,
        stations=stations,
        change_mm=change,
        growth=growth,
        movement=movement,
    )


def _growth(inputs: DoorInputs, line: Line, mine: BoolArray, moisture: Moisture | None) -> leaf.Growth:
    """Growth along the grain since the line's days, which is the zero of the leaf's states."""
    within = (inputs.day >= line.start) & (inputs.day < line.stop)
    if moisture is None or not within.any():
        return leaf.growth_prior(None, days=int(mine.sum()))
    change, doubt = moisture.since(within)
    return leaf.growth_prior(change[mine], start_doubt_pct=doubt[mine])
