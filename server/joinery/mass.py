"""How heavy a leaf is, where its weight hangs, and what its hinges carry of it."""

from dataclasses import dataclass

from server.errors import OutOfRangeError
from server.joinery.build import GRAVITY_M_S2, Leaf


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part of a leaf and its middle."""

    name: str
    mass_kg: float
    x_m: float
    y_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Mass:
    """A whole leaf: mass, weight, centre of gravity."""

    mass_kg: float
    weight_n: float
    x_m: float
    y_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HingeForces:
    """Forces on the leaf: + toward the latch, and the sum of the vertical ones.

    How the hinges share the vertical is not settled by statics, so it is not said.
    """

    top_n: float
    bottom_n: float
    vertical_n: float


def parts(leaf: Leaf) -> tuple[Part, ...]:
    """Every part of a leaf; joints lie inside the members."""
    middle, per_m3 = leaf.width_m / 2, leaf.density_kg_m3
    stile = leaf.stile_m * leaf.height_m * leaf.thickness_m * per_m3
    half = leaf.height_m / 2
    return (
        Part(name="hinge stile", mass_kg=stile, x_m=leaf.stile_m / 2, y_m=half),
        Part(name="latch stile", mass_kg=stile, x_m=leaf.width_m - leaf.stile_m / 2, y_m=half),
        *(
            Part(
                name=f"{rail.name} rail",
                mass_kg=leaf.rail_m * rail.depth_m * leaf.thickness_m * per_m3,
                x_m=middle,
                y_m=rail.y_m,
            )
            for rail in leaf.rails
        ),
        *panel_parts(leaf),
        *(
            Part(name=extra.name, mass_kg=extra.mass_kg, x_m=extra.x_m, y_m=extra.y_m)
            for extra in leaf.extras
        ),
    )


def panel_parts(leaf: Leaf) -> tuple[Part, ...]:
    """The panels, from the bottom up, each with its tongues in the grooves."""
    found = []
    for panel, below, above in zip(leaf.panels, leaf.rails, leaf.rails[1:], strict=False):
        low, high = below.y_m + below.depth_m / 2, above.y_m - above.depth_m / 2
        area = (leaf.rail_m + 2 * panel.groove_m) * (high - low + 2 * panel.groove_m)
        found.append(
            Part(
                name=f"panel over {below.name} rail",
                mass_kg=area * panel.thickness_m * leaf.density_kg_m3,
                x_m=leaf.width_m / 2,
                y_m=(low + high) / 2,
            )
        )
    return tuple(found)


def mass(leaf: Leaf) -> Mass:
    """Mass and centre of gravity of the whole leaf."""
    every = parts(leaf)
    whole = sum(part.mass_kg for part in every)
    return Mass(
        mass_kg=whole,
        weight_n=whole * GRAVITY_M_S2,
        x_m=sum(part.mass_kg * part.x_m for part in every) / whole,
        y_m=sum(part.mass_kg * part.y_m for part in every) / whole,
    )


def hinge_forces(
    weight_n: float, x_m: float, *, apart_m: float, load_n: float = 0.0, load_x_m: float = 0.0
) -> HingeForces:
    """What the outer hinges push and pull for a weight at `x_m` from them, and a load besides.

    `apart_m`: distance between the outer hinges; one between them is left out of the couple.
    Raises OutOfRangeError for a distance that is not above 0.
    """
    if not apart_m > 0:
        raise OutOfRangeError("distance of the outer hinges", "above 0 m", f"{apart_m:g}")
    push = (weight_n * x_m + load_n * load_x_m) / apart_m
    return HingeForces(top_n=-push, bottom_n=push, vertical_n=weight_n + load_n)
