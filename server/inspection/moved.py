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
    `begun`: the day since hanging on which its first version was begun; `goes_on`: gauges were replaced and
    tied, so that it counts from the zero of the stretch before it.
    """

    begun: int
    goes_on: bool
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

    A version in which no gauge of the leaf was touched goes on with the zero of the one before, and so does
    one in which gauges were replaced and tied to the old ones.
    """
    if inputs.day.size == 0:
        return ()
    found = []
    for one in _stretches(spans, lines):
        mine = np.any([span.within(inputs.day) for span in spans[one.first : one.last + 1]], axis=0)
        part = _moved(inputs, spans[one.last].built, one, (mine, moisture))
        if part is not None:
            found.append(part)
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stretch:
    """First and last place of versions that share gauges and a zero, and the line that it is of.

    `begun`: the day since 1970 of the first of them. In `line` the zero of a gauge that was tied is what it
    would have read then.
    """

    first: int
    last: int
    begun: int
    line: Line
    goes_on: bool = False


def _stretches(spans: tuple[Span, ...], lines: tuple[Line, ...]) -> list[_Stretch]:
    found: list[_Stretch] = []
    for place, span in enumerate(spans):
        tied = _tied_across(spans[place - 1], span, lines[place]) if place else None
        own = _Stretch(first=place, last=place, begun=span.version.day, line=lines[place])
        if tied is None:
            found.append(own)
        elif not tied:
            found[-1] = replace(found[-1], last=place)
        else:
            found.append(replace(own, line=_with_tied(found[-1].line, own.line, tied), goes_on=True))
    return found


def _tied_across(before: Span, now: Span, line: Line) -> dict[str, str] | None:
    """The leaf's gauges that were replaced and tied, with the old ones; None where it was zeroed anew."""
    was, is_now = set(stations_of(before.built)), set(stations_of(now.built))
    tied = {name: one.replaces for name, one in line.tied.items() if name in is_now and line.is_tied(name)}
    untouched = is_now - set(tied)
    goes_on = untouched.isdisjoint(now.version.moved) and untouched | set(tied.values()) == was
    return tied if now.version.because == GAUGE_MOVED and goes_on else None


def _with_tied(line: Line, own: Line, tied: Mapping[str, str]) -> Line:
    by_mm = {name: own.tied[name].by_mm or 0.0 for name in tied}
    zero_mm = {name: line.zero_mm[old] + by_mm[name] for name, old in tied.items() if old in line.zero_mm}
    spread_mm = {name: own.spread_mm[name] for name in tied if own.kind == "hung" and name in own.spread_mm}
    return replace(line, zero_mm={**line.zero_mm, **zero_mm}, spread_mm={**line.spread_mm, **spread_mm})


def _moved(
    inputs: DoorInputs, built: BuiltDoor, stretch: _Stretch, days: tuple[BoolArray, Moisture | None]
) -> Moved | None:
    (mine, moisture), line = days, stretch.line
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
        begun=stretch.begun - inputs.hung_day,
        goes_on=stretch.goes_on,
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
