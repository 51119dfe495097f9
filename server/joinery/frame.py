"""The leaf as a frame: what each joint carries, how it turns, and what the gaps would see of it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from server.errors import OutOfRangeError
from server.joinery.build import GRAVITY_M_S2, Leaf
from server.joinery.joints import STIFFNESS_FACTOR, Given, index_pa, stiffness_n_m_per_rad
from server.joinery.mass import panel_parts
from server.joinery.members import RIGID, FloatArray, Member, Solution, Structure, solve
from server.joinery.refusals import BracedLeafError

SHEAR_FACTOR = 5 / 6
# Arms from the stile to its hinges: as good as rigid, without spoiling the sums.
ARM_TIMES = 1e4
# Two heights so near share a node: a member as short as that would spoil the sums.
NEAR_M = 5e-3
X, Y = 0, 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """A downward force on the leaf."""

    force_n: float
    x_m: float
    y_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What is reckoned: own weight or none, a load besides, the stiffness factor, joints gone soft.

    `left`: share of its stiffness that a joint has left, by name; 0 is a pin. `shear` False leaves it out.
    """

    weight: bool = True
    load: Load | None = None
    f_k: float = STIFFNESS_FACTOR
    left: Mapping[str, float] = field(default_factory=dict)
    shear: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class JointForces:
    """A joint at its shoulder: moment + where it resists the rail's drop, shear + upward on the rail.

    `turn_rad` is None for a pin, `index_pa` for a joint without dimensions; the index is never a strength.
    """

    moment_n_m: float
    shear_n: float
    turn_rad: float | None
    index_pa: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LeafForces:
    """The leaf under a case. Turned (sag), racked and droop as the gaps would see them; joints by name.

    `pin_*`: force of the outer hinges on the leaf, x and y in N. `rack_slope_mm`: change of rack per unit of
    ln f_k.
    """

    turned_rad: float
    racked_rad: float
    rack_mm: float
    droop_mm: float
    rack_slope_mm: float
    joints: Mapping[str, JointForces]
    pin_bottom_n: tuple[float, float]
    pin_top_n: tuple[float, float]


def leaf_frame(leaf: Leaf, case: Case | None = None) -> LeafForces:
    """The leaf as stiles and rails with a spring at each shoulder, held at its outer hinges.

    Raises BracedLeafError for a panel that does not float, OutOfRangeError for a joint that is not there.
    """
    case = case or Case()
    _check(leaf, case)
    model = LeafModel(leaf, case)
    solution = solve(model.structure, model.forces, scaled=model.scaled)
    racked, slope = (_apparent(leaf, model, movement) for movement in (solution.movement, solution.slope))
    return LeafForces(
        turned_rad=racked[0],
        racked_rad=racked[1],
        rack_mm=1000 * racked[1] * leaf.rail_m,
        droop_mm=1000 * racked[2],
        rack_slope_mm=1000 * slope[1] * leaf.rail_m,
        joints=_joint_forces(leaf, case, solution),
        pin_bottom_n=_pin(solution, model.pins[0]),
        pin_top_n=_pin(solution, model.pins[1]),
    )


def joint_stiffness(leaf: Leaf, case: Case) -> Mapping[str, float]:
    """Stiffness of each joint in that case, N m/rad."""
    return {
        name: case.left.get(name, 1.0) * stiffness_n_m_per_rad(joint, case.f_k)
        for name, joint in leaf.joints.items()
    }


def _check(leaf: Leaf, case: Case) -> None:
    if not all(panel.floats for panel in leaf.panels):
        raise BracedLeafError("moments of the joints", "panels that float", "one that braces the leaf")
    unknown = set(case.left) - set(leaf.joints)
    if unknown:
        raise OutOfRangeError(
            "joint that has gone soft", ", ".join(leaf.joints), repr(sorted(unknown)[0][:40])
        )
    load = case.load
    if load and not (0 <= load.x_m <= leaf.width_m and 0 <= load.y_m <= leaf.height_m):
        needed = f"a place on its {leaf.width_m:g} by {leaf.height_m:g} m"
        raise OutOfRangeError("load on the leaf", needed, f"{load.x_m:g}, {load.y_m:g} m")
    if any(not share >= 0 for share in case.left.values()):
        raise OutOfRangeError("share of stiffness left", "0 or more", f"{min(case.left.values()):g}")


class LeafModel:
    """Nodes, members and forces of one leaf in one case: `structure`, `forces` at its nodes.

    The first members are the rails, in their order; `scaled` marks the springs that follow the factor.
    """

    def __init__(self, leaf: Leaf, case: Case) -> None:
        self.leaf, self.case = leaf, case
        self.places: list[tuple[float, float]] = []
        self.nodes: dict[str, dict[int, float]] = {"hinge": {}, "latch": {}, "pin": {}}
        self.members: list[Member] = []
        self.forces: dict[int, tuple[float, float, float]] = {}
        weights = [Load(force_n=GRAVITY_M_S2 * e.mass_kg, x_m=e.x_m, y_m=e.y_m) for e in leaf.extras]
        # What hangs on the hinge edge itself goes straight into the hinges.
        loads = [load for load in weights if load.x_m > 0] if case.weight else []
        loads += [case.load] if case.load else []
        self._rails()
        self._stiles(loads)
        held = self._pins()
        for load in loads:
            self._hang(load)
        self.structure = Structure(places_m=np.array(self.places), members=self.members, held=frozenset(held))
        soft = [not isinstance(joint, Given) for joint in leaf.joints.values()]
        self.scaled = np.zeros((len(self.members), 2), dtype=bool)
        self.scaled[: len(leaf.rails)] = np.array(soft).reshape(2, -1).T

    def at(self, side: str, y_m: float) -> int:
        """The node of a stile (`hinge`, `latch`) or pin at that height, made where there is none so near."""
        for node, place in self.nodes[side].items():
            if abs(place - y_m) < NEAR_M:
                return node
        half = self.leaf.stile_m / 2
        x = {"hinge": half, "latch": self.leaf.width_m - half, "pin": 0.0}[side]
        self.nodes[side][len(self.places)] = y_m
        self.places.append((x, y_m))
        return len(self.places) - 1

    def _section(self, depth_m: float) -> tuple[float, float, float]:
        leaf = self.leaf
        area, modulus = depth_m * leaf.thickness_m, leaf.modulus_pa
        shear = SHEAR_FACTOR * leaf.g_over_e * modulus * area if self.case.shear else RIGID
        return modulus * leaf.thickness_m * depth_m**3 / 12, modulus * area, shear

    def _rails(self) -> None:
        leaf, stiffness = self.leaf, joint_stiffness(self.leaf, self.case)
        panels = [part.mass_kg for part in panel_parts(leaf)]
        for rail, panel in zip(leaf.rails, [*panels, 0.0], strict=True):
            bending, axial, shear = self._section(rail.depth_m)
            own = rail.depth_m * leaf.thickness_m * leaf.density_kg_m3 + panel / leaf.rail_m
            self.members.append(
                Member(
                    start=self.at("hinge", rail.y_m),
                    end=self.at("latch", rail.y_m),
                    bending_n_m2=bending,
                    axial_n=axial,
                    shear_n=shear,
                    spring_start=stiffness[f"{rail.name}-hinge"],
                    spring_end=stiffness[f"{rail.name}-latch"],
                    arm_start_m=leaf.stile_m / 2,
                    arm_end_m=leaf.stile_m / 2,
                    weight_n_per_m=own * GRAVITY_M_S2 * self.case.weight,
                )
            )

    def _stiles(self, loads: list[Load]) -> None:
        leaf, half = self.leaf, self.leaf.width_m / 2
        bending, axial, shear = self._section(leaf.stile_m)
        own = leaf.stile_m * leaf.thickness_m * leaf.density_kg_m3 * GRAVITY_M_S2 * self.case.weight
        ends = [0.0, leaf.height_m]
        heights = {
            "hinge": [*ends, *self._pinned(), *(load.y_m for load in loads if load.x_m <= half)],
            "latch": [*ends, *(load.y_m for load in loads if load.x_m > half)],
        }
        for side, stops in heights.items():
            for stop in stops:
                self.at(side, stop)
            nodes = sorted(self.nodes[side], key=lambda node: self.places[node][Y])
            self.members += [
                Member(
                    start=low,
                    end=high,
                    bending_n_m2=bending,
                    axial_n=axial,
                    shear_n=shear,
                    weight_n_per_m=own,
                )
                for low, high in pairwise(nodes)
            ]

    def _pinned(self) -> list[float]:
        low, high = self.leaf.outer_hinges_m
        return [low, high, *({self.leaf.bearing_hinge_m} - {low, high})]

    def _pins(self) -> set[tuple[int, int]]:
        bending, axial, _ = self._section(self.leaf.stile_m)
        heights = self._pinned()
        pins = [self.at("pin", y) for y in heights]
        self.members += [
            Member(
                start=pin,
                end=self.at("hinge", y),
                bending_n_m2=ARM_TIMES * bending,
                axial_n=ARM_TIMES * axial,
            )
            for pin, y in zip(pins, heights, strict=True)
        ]
        self.pins = (pins[0], pins[1])
        return {(pins[0], X), (pins[1], X), (self.at("pin", self.leaf.bearing_hinge_m), Y)}

    def _hang(self, load: Load) -> None:
        side = "latch" if load.x_m > self.leaf.width_m / 2 else "hinge"
        node = self.at(side, load.y_m)
        across, down, moment = self.forces.get(node, (0.0, 0.0, 0.0))
        arm = load.x_m - self.places[node][0]
        self.forces[node] = (across, down - load.force_n, moment - load.force_n * arm)


def _apparent(leaf: Leaf, model: LeafModel, movement: FloatArray) -> tuple[float, float, float]:
    top, bottom = (movement[model.at("latch", y)] for y in (leaf.height_m, 0.0))
    hinge_top = movement[model.at("hinge", leaf.height_m)]
    turned = (top[X] - bottom[X]) / leaf.height_m
    racked = (-top[Y] + hinge_top[Y] - turned * (leaf.width_m - leaf.stile_m)) / leaf.rail_m
    return float(turned), float(racked), float(-(top[Y] + top[2] * leaf.stile_m / 2))


def _joint_forces(leaf: Leaf, case: Case, solution: Solution) -> dict[str, JointForces]:
    found, stiffness, joints = {}, joint_stiffness(leaf, case), leaf.joints
    for place, rail in enumerate(leaf.rails):
        for end, side in enumerate(("hinge", "latch")):
            name = f"{rail.name}-{side}"
            moment, shear = float(solution.moment_n_m[place, end]), float(solution.shear_n[place, end])
            found[name] = JointForces(
                moment_n_m=moment,
                shear_n=shear,
                turn_rad=moment / stiffness[name] if stiffness[name] > 0 else None,
                index_pa=None if isinstance(joints[name], Given) else index_pa(joints[name], moment, shear),
            )
    return found


def _pin(solution: Solution, node: int) -> tuple[float, float]:
    return float(solution.held_n[node, X]), float(solution.held_n[node, Y])
