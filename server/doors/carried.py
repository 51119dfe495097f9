"""What a door weighs, what its hinges and joints carry of that, and from which turn on a joint is open."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from server.doors.built import BuiltDoor
from server.doors.carpentry import factors_of, leaf_of, weighable_leaf, why_not
from server.errors import HangtrueError
from server.joinery.frame import Case, LeafForces, leaf_frame
from server.joinery.joints import STIFFNESS_FACTOR
from server.joinery.loadtest import SOFTEST, STIFFEST, turn_rises_mrad
from server.joinery.mass import hinge_forces, mass

# A joint counts as open when the frame leaves it a fifth of its stiffness; a convention of this project.
OPEN_LEFT = 0.2
STEPS = 5
USUAL = "usual practice, as no load test is kept"
OF_THE_FILE = "the door's file"


@dataclass(frozen=True, slots=True, kw_only=True)
class Weight:
    """A whole leaf: mass and weight, middle of its weight, and the pull at the top hinge, N.

    The bottom hinge pushes as much. How the hinges share the weight itself is not settled by statics.
    """

    mass_kg: float
    weight_n: float
    x_mm: float
    y_mm: float
    hinge_pull_n: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Stiffness:
    """The joints' stiffness factor with its range, and where it is from. `f_k` None: each has its own.

    `tested`: the day of the load test that told it, ISO.
    """

    f_k: float | None
    low: float
    high: float
    source: str
    tested: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """What a joint carries under the door's own weight, and its range over the stiffness factor's.

    `turn_mrad`: how far that turns it; `index_pa` compares glue lines and never is a strength.
    """

    joint: str
    moment_n_m: float
    low_n_m: float
    high_n_m: float
    turn_mrad: float | None
    index_pa: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """A door's weight and what each joint carries; empty where that cannot be reckoned, with the reason."""

    weight: Weight | None
    joints: Mapping[str, Carried]
    stiffness: Stiffness
    why_not: str

    @property
    def most(self) -> Carried | None:
        """The joint that carries most."""
        return max(self.joints.values(), key=lambda one: one.moment_n_m, default=None)


def weight_of(built: BuiltDoor) -> Weight:
    """What the leaf weighs. Raises OutOfRangeError for one that cannot be reckoned."""
    leaf = weighable_leaf(built)
    whole = mass(leaf)
    low, high = leaf.outer_hinges_m
    forces = hinge_forces(whole.weight_n, whole.x_m, apart_m=high - low)
    return Weight(
        mass_kg=whole.mass_kg,
        weight_n=whole.weight_n,
        x_mm=1000 * whole.x_m,
        y_mm=1000 * whole.y_m,
        hinge_pull_n=forces.bottom_n,
    )


def load_of(built: BuiltDoor, tested: Stiffness | None = None) -> Load:
    """What the door weighs and each joint carries, with the factor a load test told or the file's.

    A door that cannot be reckoned has its reason in `why_not`; nothing is guessed.
    """
    stiffness = tested or stiffness_of(built)
    try:
        weight = weight_of(built)
    except HangtrueError as refusal:
        return Load(weight=None, joints={}, stiffness=stiffness, why_not=why_not(refusal))
    try:
        joints = _joints(built, stiffness)
    except HangtrueError as refusal:
        return Load(weight=weight, joints={}, stiffness=stiffness, why_not=why_not(refusal))
    return Load(weight=weight, joints=joints, stiffness=stiffness, why_not="")


def stiffness_of(built: BuiltDoor) -> Stiffness:
    """The factor that the door's file gives, else the usual one; its range is the model's."""
    factors = set(factors_of(built).values()) or {STIFFNESS_FACTOR}
    f_k = factors.pop() if len(factors) == 1 else None
    source = USUAL if f_k == STIFFNESS_FACTOR else OF_THE_FILE
    return Stiffness(f_k=f_k, low=SOFTEST, high=STIFFEST, source=source)


def with_open_turns(built: BuiltDoor) -> tuple[BuiltDoor, str]:
    """The door with the turn at which each joint counts as open, and why that could not be reckoned.

    Reckoned at the usual factor: the rise of its turn that leaves a joint a fifth of its stiffness, all else
    sound. Where it cannot be reckoned the least that is judged stands.
    """
    try:
        leaf = leaf_of(built)
        rises = turn_rises_mrad(leaf, leaf.joints, left=OPEN_LEFT)
    except HangtrueError as refusal:
        return built, why_not(refusal)
    turns = {name: round(rise, 4) for name, rise in rises.items()}
    return replace(built, limits=replace(built.limits, turn_reckoned_mrad=turns)), ""


def _joints(built: BuiltDoor, stiffness: Stiffness) -> dict[str, Carried]:
    leaf = leaf_of(built)
    now = leaf_frame(leaf, _case(built, stiffness.f_k))
    factors = np.geomspace(stiffness.low, stiffness.high, STEPS)
    over = [now, *(leaf_frame(leaf, Case(f_k=float(f_k))) for f_k in factors)]
    return {name: _carried(name, now, over) for name in leaf.joints}


def _carried(name: str, now: LeafForces, over: list[LeafForces]) -> Carried:
    mine, moments = now.joints[name], [forces.joints[name].moment_n_m for forces in over]
    return Carried(
        joint=name,
        moment_n_m=mine.moment_n_m,
        low_n_m=min(moments),
        high_n_m=max(moments),
        turn_mrad=None if mine.turn_rad is None else 1000 * mine.turn_rad,
        index_pa=mine.index_pa,
    )


def _case(built: BuiltDoor, f_k: float | None) -> Case:
    if f_k is not None:
        return Case(f_k=f_k)
    factors = factors_of(built)
    return Case(left={name: factor / STIFFNESS_FACTOR for name, factor in factors.items()})
