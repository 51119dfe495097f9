"""How much room a leaf has left in its opening: the least gap round it, as its gauges have it now."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.doors.built import BuiltDoor
from server.doors.carpentry import shape_of, stations_of
from server.joinery.kit import Place, judge
from server.joinery.leaf import Shape, Station, growth_prior, moved, read

FloatArray = NDArray[np.float64]
BIND_MM = 0.5
EDGES = {"head": "the head", "sill": "the sill", "latch": "the latch edge", "hinge": "the hinge edge"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """The least gap, mm, and where it is; below 0 the leaf touches."""

    least_mm: float
    edge: str
    at_mm: float

    @property
    def where(self) -> str:
        """The place in words."""
        return f"at {EDGES[self.edge]}, {self.at_mm:.0f} mm along it"


def margin(shape: Shape, states: FloatArray) -> Margin:
    """The least gap at the ends of each edge and the ends of the rails, by the exact map.

    `states`: one movement of the leaf in its opening, shape (8,).
    """
    across = (0.0, shape.stile_mm, shape.width_mm - shape.stile_mm, shape.width_mm)
    places = [(edge, at) for edge in ("head", "sill") for at in across]
    places += [(edge, at) for edge in ("latch", "hinge") for at in (0.0, shape.height_mm)]
    gaps = [float(read(shape, Station(kind=edge, at_mm=(at,)), states[None])[0]) for edge, at in places]
    least = int(np.argmin(gaps))
    return Margin(least_mm=gaps[least], edge=places[least][0], at_mm=places[least][1])


def margin_as_hung(built: BuiltDoor) -> Margin:
    """The least gap as it was hung."""
    return margin(shape_of(built), np.zeros(8))


def margin_now(
    built: BuiltDoor, change_mm: Mapping[str, float], *, moisture_change_pct: float | None = None
) -> Margin | None:
    """The least gap for changes of the gauges since the hung line; None where the gauges cannot tell it.

    `change_mm` by channel, NaN where there is none.
    """
    stations = {
        name: station
        for name, station in stations_of(built).items()
        if np.isfinite(change_mm.get(name, np.nan))
    }
    place = Place(shape=shape_of(built), opening=built.opening.kind)
    if not stations or judge(place, stations).told["droop"] == "not_told":
        return None
    found = moved(
        place.shape,
        list(stations.values()),
        np.array([[change_mm[name] for name in stations]]),
        opening=place.opening,
        growth=growth_prior(None if moisture_change_pct is None else [moisture_change_pct]),
    )
    return margin(place.shape, found.states[0])
