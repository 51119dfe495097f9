"""Two joints side by side, before anything is built: what their sizes say of them, and what they do not."""

from collections.abc import Callable
from dataclasses import dataclass

from server.errors import OutOfRangeError
from server.joinery.build import Leaf
from server.joinery.frame import Case, JointForces, leaf_frame
from server.joinery.joints import (
    STIFFNESS_FACTOR,
    Dowels,
    Given,
    Joint,
    group,
    index_pa,
    stiffness_n_m_per_rad,
)
from server.joinery.restraint import Across, restraint, seasonal_gap_mm

FACTOR_RANGE = (0.05, 1.0)
STIFFNESS = "stiffness k"
# Name, unit, what it says, what it does not.
BY_SIZE = (
    (
        "glue faces",
        "cm2",
        "how much glue there is to starve or spoil",
        "strength: depth and shoulder count more",
    ),
    ("polar moment J", "m4", "how far out the glue stands", ""),
    (STIFFNESS, "kN m/rad", "its spring in the frame, at this factor", "the factor: unlike until tested"),
    ("glue-line index for 1 N m", "Pa", "relative stress at the glue line", "per cent of anything"),
    ("hold across the grain", "", "how far cross-grain swelling is held", "a stress; creep relaxes it"),
    ("seasonal shoulder gap", "mm", "what opens and closes each year in a sound joint", "damage"),
)
LAST_LINE = "Which lasts is not known from sizes."


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One of the two joints, its rail's depth, and its stiffness factor with a source in words."""

    shown: str
    joint: Joint
    rail_depth_m: float
    f_k: float = STIFFNESS_FACTOR
    f_k_source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """Change of moisture that is assumed, % MC, and the wood's change across the grain per 1 %."""

    d_mc_pct: float = -4.0
    c_per_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class InDoors:
    """The doors that the two joints stand in, and which joint of each it is: `lock-hinge`."""

    leaf_a: Leaf
    leaf_b: Leaf
    place: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of the sheet. None: not known of that joint. `range_*`: over stiffness factors 0.05 to 1."""

    name: str
    unit: str
    a: float | None
    b: float | None
    says: str
    does_not_say: str = ""
    range_a: tuple[float, float] | None = None
    range_b: tuple[float, float] | None = None

    @property
    def ratio(self) -> float | None:
        """B over a; None where either is not known or a is 0."""
        return None if self.a is None or self.b is None or self.a == 0 else self.b / self.a


def reckon(a: Side, b: Side, leaf: Leaf, *, season: Season, doors: InDoors | None = None) -> tuple[Row, ...]:
    """What sizes say of two joints of such a leaf; no total, no rank. `doors` adds what they carry there.

    Raises OutOfRangeError for unlike stiffness factors without a source, or for a joint that is not there.
    """
    if a.f_k != b.f_k and not (a.f_k_source.strip() and b.f_k_source.strip()):
        needed = "the same for both, or a source in words for each"
        raise OutOfRangeError("stiffness factors of the two joints", needed, f"{a.f_k:g} and {b.f_k:g}")
    sizes = _by_size(a, b, leaf, season)
    return sizes if doors is None else (*sizes, *_in_doors(a, b, doors))


def _by_size(a: Side, b: Side, leaf: Leaf, season: Season) -> tuple[Row, ...]:
    def held(side: Side) -> float:
        across = Across(
            rail_depth_m=side.rail_depth_m,
            thickness_m=leaf.thickness_m,
            modulus_across_pa=leaf.e90_over_e * leaf.modulus_pa,
        )
        return restraint(side.joint, across).held_share

    def gap(side: Side) -> float:
        return seasonal_gap_mm(side.joint, season.c_per_pct * season.d_mc_pct)

    figures: tuple[Callable[[Side], float | None], ...] = (
        lambda side: 1e4 * group(side.joint).area_m2,
        lambda side: group(side.joint).polar_m4,
        lambda side: stiffness_n_m_per_rad(side.joint, side.f_k) / 1000,
        lambda side: index_pa(side.joint, 1.0),
        lambda side: None if isinstance(side.joint, Dowels) else held(side),
        gap,
    )
    return tuple(
        Row(
            name=name,
            unit=unit,
            a=None if isinstance(a.joint, Given) and name != STIFFNESS else figure(a),
            b=None if isinstance(b.joint, Given) and name != STIFFNESS else figure(b),
            says=says,
            does_not_say=does_not_say,
        )
        for (name, unit, says, does_not_say), figure in zip(BY_SIZE, figures, strict=True)
    )


def _in_doors(a: Side, b: Side, doors: InDoors) -> tuple[Row, ...]:
    rows = [
        ("moment", "N m", "what the joint carries under the door's own weight", _moment),
        ("turn", "mrad", "how far it turns under it", _turn),
        ("glue-line index", "kPa", "relative stress under it", _index),
    ]
    sides = ((a, doors.leaf_a), (b, doors.leaf_b))
    mine = [_forces(leaf, doors.place, side.f_k) for side, leaf in sides]
    ends = [[_forces(leaf, doors.place, f_k) for f_k in FACTOR_RANGE] for _, leaf in sides]
    return tuple(
        Row(
            name=f"{name} at {doors.place}",
            unit=unit,
            a=figure(mine[0]),
            b=figure(mine[1]),
            says=says,
            does_not_say="strength",
            range_a=_range([figure(forces) for forces in ends[0]]),
            range_b=_range([figure(forces) for forces in ends[1]]),
        )
        for name, unit, says, figure in rows
    )


def _forces(leaf: Leaf, place: str, f_k: float) -> JointForces:
    joints = leaf_frame(leaf, Case(f_k=f_k)).joints
    if place not in joints:
        raise OutOfRangeError("joint of a door", ", ".join(joints), repr(place[:40]))
    return joints[place]


def _moment(forces: JointForces) -> float:
    return forces.moment_n_m


def _turn(forces: JointForces) -> float | None:
    return None if forces.turn_rad is None else 1000 * forces.turn_rad


def _index(forces: JointForces) -> float | None:
    return None if forces.index_pa is None else forces.index_pa / 1000


def _range(values: list[float | None]) -> tuple[float, float] | None:
    known = [value for value in values if value is not None]
    return (min(known), max(known)) if len(known) == len(values) else None
