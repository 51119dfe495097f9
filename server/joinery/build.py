"""A leaf as the workshop built it: sizes, wood, rails and their joints, panels, weights and hinges."""

from collections.abc import Mapping
from dataclasses import dataclass

from server.errors import OutOfRangeError
from server.joinery.joints import SMALLEST_GAP_MM, Joint, check_joint

GRAVITY_M_S2 = 9.80665
G_OVER_E = 1 / 16
E90_OVER_E = 0.07


@dataclass(frozen=True, slots=True, kw_only=True)
class Rail:
    """A rail between the stiles: height of its axis above the bottom edge, depth, and both its joints."""

    name: str
    y_m: float
    depth_m: float
    joint_hinge: Joint
    joint_latch: Joint


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """A panel over a rail; glued or boarded (`floats` False) it braces the leaf."""

    thickness_m: float
    groove_m: float
    floats: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Extra:
    """A lock, a glass, a closer's arm."""

    name: str
    mass_kg: float
    x_m: float
    y_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Hinge:
    """A hinge; `bears`: the one taken to carry the weight."""

    y_m: float
    bears: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Leaf:
    """A leaf with its hinges on the left; x from the hinge edge, y from the bottom edge.

    `rails` and `panels` from the bottom up, one panel between two rails.
    """

    width_m: float
    height_m: float
    thickness_m: float
    stile_m: float
    density_kg_m3: float
    modulus_pa: float
    rails: tuple[Rail, ...]
    panels: tuple[Panel, ...]
    extras: tuple[Extra, ...]
    hinges: tuple[Hinge, ...]
    g_over_e: float = G_OVER_E
    e90_over_e: float = E90_OVER_E

    @property
    def rail_m(self) -> float:
        """Length of a rail between its shoulders."""
        return self.width_m - 2 * self.stile_m

    @property
    def outer_hinges_m(self) -> tuple[float, float]:
        """Heights of the lowest and the highest hinge."""
        heights = [hinge.y_m for hinge in self.hinges]
        return min(heights), max(heights)

    @property
    def bearing_hinge_m(self) -> float:
        """Height of the hinge that carries the weight."""
        return next(hinge.y_m for hinge in self.hinges if hinge.bears)

    @property
    def joints(self) -> Mapping[str, Joint]:
        """Each rail's two joints by name: `lock-hinge`, `lock-latch`."""
        ends = ((rail, "hinge", rail.joint_hinge) for rail in self.rails)
        other = ((rail, "latch", rail.joint_latch) for rail in self.rails)
        return {f"{rail.name}-{end}": joint for rail, end, joint in (*ends, *other)}


def check_leaf(leaf: Leaf, *, gaps_mm: Mapping[str, float] | None = None) -> tuple[str, ...]:
    """What is to be warned of in a leaf that can be built. `gaps_mm`: as hung, by edge.

    Raises OutOfRangeError for one that cannot.
    """
    _check_sizes(leaf)
    _check_rails(leaf)
    _check_hinges(leaf)
    _check_extras(leaf)
    joints = [
        f"{rail.name} rail, {end} end: {warning}"
        for rail in leaf.rails
        for end, joint in (("hinge", rail.joint_hinge), ("latch", rail.joint_latch))
        for warning in check_joint(
            joint, rail_depth_m=rail.depth_m, stile_m=leaf.stile_m, thickness_m=leaf.thickness_m
        )
    ]
    panels = [
        f"panel {number} does not float: it braces the leaf, so no moments are reckoned; it is usually left "
        "loose in its grooves (common practice, no source)"
        for number, panel in enumerate(leaf.panels, start=1)
        if not panel.floats
    ]
    gaps = [
        f"gap at the {edge}: {gap:g} mm, under {SMALLEST_GAP_MM:g} mm a season may close it "
        "(common practice, no source)"
        for edge, gap in (gaps_mm or {}).items()
        if gap < SMALLEST_GAP_MM
    ]
    return (*joints, *panels, *gaps)


def _check_sizes(leaf: Leaf) -> None:
    figures = (
        leaf.width_m,
        leaf.height_m,
        leaf.thickness_m,
        leaf.stile_m,
        leaf.density_kg_m3,
        leaf.modulus_pa,
    )
    if not all(figure > 0 for figure in (*figures, leaf.g_over_e, leaf.e90_over_e)):
        raise OutOfRangeError("leaf as built", "sizes, density and stiffness above 0", f"{figures}")
    if not leaf.rail_m > 0:
        needed = f"less than half its {1000 * leaf.width_m:g} mm"
        raise OutOfRangeError("stile of a leaf", needed, f"{1000 * leaf.stile_m:g} mm")


def _check_extras(leaf: Leaf) -> None:
    for extra in leaf.extras:
        on_it = 0 <= extra.x_m <= leaf.width_m and 0 <= extra.y_m <= leaf.height_m
        if not (on_it and extra.mass_kg >= 0):
            came = f"{extra.mass_kg:g} kg at {1000 * extra.x_m:g}, {1000 * extra.y_m:g} mm"
            raise OutOfRangeError(f"{extra.name[:40]} on the leaf", "a mass and a place on it", came)


def _check_rails(leaf: Leaf) -> None:
    edge = 0.0
    for rail in leaf.rails:
        low, high = rail.y_m - rail.depth_m / 2, rail.y_m + rail.depth_m / 2
        if low < edge - 1e-9 or high > leaf.height_m + 1e-9 or not rail.depth_m > 0:
            needed = f"above {1000 * edge:g} mm and within {1000 * leaf.height_m:g} mm"
            raise OutOfRangeError(f"{rail.name} rail", needed, f"{1000 * low:g} to {1000 * high:g} mm")
        edge = high
    if len(leaf.rails) < 2 or len(leaf.panels) != len(leaf.rails) - 1:
        came = f"{len(leaf.rails)} rails and {len(leaf.panels)} panels"
        raise OutOfRangeError("leaf as built", "two rails or more, and a panel between each two", came)


def _check_hinges(leaf: Leaf) -> None:
    bearing = sum(hinge.bears for hinge in leaf.hinges)
    if len({hinge.y_m for hinge in leaf.hinges}) < 2 or bearing != 1:
        came = f"{len(leaf.hinges)}, {bearing} bearing"
        raise OutOfRangeError("hinges of a leaf", "two or more, and one of them bearing", came)
    low, high = leaf.outer_hinges_m
    if low < 0 or high > leaf.height_m:
        raise OutOfRangeError(
            "hinges of a leaf", "heights within it", f"{1000 * low:g} to {1000 * high:g} mm"
        )
