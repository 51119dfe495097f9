"""What is found of the room that the leaf has: at each edge tonight, and in the worst of a season to come."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from server.doors.built import EDGE_KINDS
from server.doors.carpentry import shape_of, stations_of
from server.inspection.found import told
from server.inspection.seen import Seen
from server.inspection.values import Finding
from server.joinery import leaf

FloatArray = NDArray[np.float64]
RUBS, ANY_EDGE = "rubs", "frame"
NOT_READ = "none of its gauges had a reading on the last day"
NOT_TOLD = "the gauges that read do not tell where the leaf is"


def frame(seen: Seen, *, held_back: str | None = None) -> list[Finding]:
    """Each edge of a door whose leaf is gauged. `held_back`: why nothing is judged tonight."""
    built = seen.inputs.door.built
    stations = stations_of(built)
    if not stations or len(built.hinges) < 2:
        return _by_word(seen)
    change = {name: change_mm(seen, name) for name in stations}
    read = {name: mm for name, mm in change.items() if np.isfinite(mm)}
    margins_mm, why = _margins(seen, {name: stations[name] for name in read}, read)
    touched, rests_on = _touched(seen, margins_mm), told.with_ref(built, read)
    made = []
    for edge in (*EDGE_KINDS, *sorted({ANY_EDGE} & touched)):
        evidence = _evidence(margins_mm.get(edge), _least_expected_mm(seen, edge), rubs=edge in touched)
        unjudged = held_back or (why if set(evidence.values()) == {None} else None)
        about = f"{seen.inputs.door.name}/{edge}"
        said = None if edge in touched else unjudged
        made.append(Finding(topic="frame", about=about, evidence=evidence, rests_on=rests_on, unjudged=said))
    return made


def _evidence(margin_mm: float | None, least_mm: float | None, *, rubs: bool) -> dict[str, object]:
    evidence: dict[str, object] = {"margin_mm": margin_mm, "least_expected_mm": least_mm}
    return evidence | ({"rubs": True} if rubs else {})


def change_mm(seen: Seen, name: str) -> float:
    """A gauge on the last ended day, mm since its line; NaN where it has none."""
    days, zero_mm = seen.inputs.gauges.get(name), told.zero_mm(seen, name)
    if days is None or zero_mm is None:
        return float("nan")
    return told.last_value(seen.inputs, days.median) - zero_mm


def _margins(
    seen: Seen, stations: Mapping[str, leaf.Station], read: Mapping[str, float]
) -> tuple[dict[str, float], str | None]:
    """The least gap of each edge tonight, or why it is not told."""
    if not read:
        return {}, NOT_READ
    shape = shape_of(seen.inputs.door.built)
    found = leaf.moved(
        shape,
        list(stations.values()),
        np.array([[read[name] for name in stations]]),
        opening=seen.inputs.door.built.opening.kind,
        growth=growth_tonight(seen),
    )
    if found.told("droop")[0] == "not_told":
        return {}, NOT_TOLD
    return margins(shape, found.states), None


def margins(shape: leaf.Shape, states: FloatArray) -> dict[str, float]:
    """The least gap of each edge, mm, for one movement of shape (1, 8); below 0 the leaf touches.

    Source: joinery, section 6: at the ends of each edge, and at head and sill at the ends of the rails.
    """
    across = (0.0, shape.stile_mm, shape.width_mm - shape.stile_mm, shape.width_mm)
    places = {
        "head": across,
        "sill": across,
        "latch": (0.0, shape.height_mm),
        "hinge": (0.0, shape.height_mm),
    }
    return {
        edge: min(float(leaf.read(shape, leaf.Station(kind=edge, at_mm=(at,)), states)[0]) for at in ats)
        for edge, ats in places.items()
    }


def growth_tonight(seen: Seen) -> leaf.Growth:
    """Growth along the grain that the wood's moisture makes expect on the last ended day."""
    if seen.moisture is None:
        return leaf.growth_prior(None)
    chosen = told.last_days(seen.inputs, 1)
    change, doubt = seen.moisture.change_pct[chosen], seen.moisture.start_doubt_pct[chosen]
    return leaf.growth_prior(change, start_doubt_pct=doubt) if change.size else leaf.growth_prior(None)


def _least_expected_mm(seen: Seen, edge: str) -> float | None:
    """The gap as hung and what stays of it, less the worst of a season; the least of an edge's gauges.

    A gap that closes reads less: what stays of it is below 0. What stayed before the door was re-hung or
    planed is not in the gap as it was hung then.
    """
    built = seen.inputs.door.built
    shape, expected = shape_of(built), []
    for gauge in built.gauges:
        one = seen.looks.get(f"gap:{gauge.channel}") if gauge.kind == edge else None
        if one is None or not told.is_fresh(seen, one):
            continue
        stays, worst = one.number("stays"), one.number("worst_season")
        made = told.series_of(seen, one.key)
        if stays is not None and worst is not None:
            station = leaf.Station(kind=edge, at_mm=gauge.station_mm)
            hung = float(leaf.read(shape, station, np.zeros((1, len(leaf.STATES))))[0])
            expected.append(hung + stays - (made.carried if made else 0.0) - worst)
    return min(expected, default=None)


def _touched(seen: Seen, margins_mm: Mapping[str, float]) -> set[str]:
    """Edges of which a person said on the last ended day that they rub: those named, else the nearest."""
    day = seen.inputs.hung_day + seen.inputs.last_ended
    words = [
        one.text.lower() for one in seen.inputs.marks if one.kind == RUBS and one.t_ms // told.DAY_MS == day
    ]
    nearest = min(margins_mm, key=lambda edge: margins_mm[edge], default=ANY_EDGE)
    named = [{edge for edge in EDGE_KINDS if edge in text} or {nearest} for text in words]
    return set().union(*named)


def _by_word(seen: Seen) -> list[Finding]:
    """A door whose gaps are not gauged: what a person said of them alone."""
    return [
        Finding(
            topic="frame", about=f"{seen.inputs.door.name}/{edge}", evidence=_evidence(None, None, rubs=True)
        )
        for edge in sorted(_touched(seen, {}))
    ]
