"""Direct stiffness of a plane frame whose members bend, shear, end in springs and stand on rigid arms."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.errors import OutOfRangeError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

RIGID = float("inf")
# A pin is a spring this much softer than its member: no zero is divided by.
SOFTEST = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """A member from one node to another. Springs at the flexible ends (N m/rad): RIGID, or 0 for a pin.

    `arm_*_m`: rigid length at that end, inside the distance of the nodes. `shear_n`: kappa G A, RIGID for
    none. `weight_n_per_m`: downward, on the flexible length.
    """

    start: int
    end: int
    bending_n_m2: float
    axial_n: float
    shear_n: float = RIGID
    spring_start: float = RIGID
    spring_end: float = RIGID
    arm_start_m: float = 0.0
    arm_end_m: float = 0.0
    weight_n_per_m: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Structure:
    """Nodes of shape (n, 2), members between them, and what is held: (node, 0 x, 1 y or 2 turn)."""

    places_m: FloatArray
    members: Sequence[Member]
    held: frozenset[tuple[int, int]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """Nodes' movements (n, 3): x, y in m, turn in rad, + anticlockwise. Forces at the members' flexible ends.

    `moment_n_m`, `shear_n`: (members, 2), what acts on the member, + anticlockwise and + to its left hand.
    `held_n`: (n, 3), what the supports give, 0 elsewhere. `slope`: (n, 3), asked for by `scaled`, else 0.
    """

    movement: FloatArray
    moment_n_m: FloatArray
    shear_n: FloatArray
    held_n: FloatArray
    slope: FloatArray


def solve(
    structure: Structure,
    forces: Mapping[int, tuple[float, float, float]],
    *,
    scaled: BoolArray | None = None,
) -> Solution:
    """The frame under its members' weight and forces (x, y, moment) at nodes.

    `scaled`, (members, 2): springs for whose ln factor `slope` gives the nodes' movement a unit.
    Raises OutOfRangeError for a frame that is not held.
    """
    _check_held(structure)
    parts = _Parts.of(structure)
    size = 3 * len(structure.places_m)
    whole, load = np.zeros((size, size)), np.zeros(size)
    np.add.at(whole, (parts.freedoms[:, :, None], parts.freedoms[:, None, :]), parts.global_stiffness())
    np.add.at(load, parts.freedoms, parts.global_load())
    for node, force in forces.items():
        load[3 * node : 3 * node + 3] += force
    held = np.array(sorted(3 * node + way for node, way in structure.held), dtype=int)
    free = np.setdiff1d(np.arange(size), held)
    inner = whole[np.ix_(free, free)]
    movement, slope = np.zeros(size), np.zeros(size)
    movement[free] = np.linalg.solve(inner, load[free])
    moment, shear = parts.ends(movement)
    if scaled is not None:
        pull = np.zeros(size)
        np.add.at(pull, parts.freedoms, parts.softening(moment, scaled))
        slope[free] = np.linalg.solve(inner, -pull[free])
    reaction = np.zeros(size)
    reaction[held] = (whole @ movement - load)[held]
    return Solution(
        movement=movement.reshape(-1, 3),
        moment_n_m=moment,
        shear_n=shear,
        held_n=reaction.reshape(-1, 3),
        slope=slope.reshape(-1, 3),
    )


def _check_held(structure: Structure) -> None:
    # What the supports feel of the three ways in which the whole can move without bending.
    places = structure.places_m
    felt = np.zeros((max(1, len(structure.held)), 3))
    for row, (node, way) in zip(felt, structure.held, strict=False):
        row[way] = 1.0
        if way < 2:
            row[2] = (-places[node, 1], places[node, 0])[way]
    if np.linalg.matrix_rank(felt) < 3:
        raise OutOfRangeError("frame", "enough held for it not to move away", "one that moves freely")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Parts:
    """All members side by side, in their own axes; first axis: members."""

    freedoms: NDArray[np.int64]
    turn: FloatArray
    ends_of: FloatArray
    bending: FloatArray
    flexibility_of_springs: FloatArray
    axial_per_m: FloatArray
    length_m: FloatArray
    load: FloatArray
    free_turn: FloatArray
    arms: FloatArray

    @classmethod
    def of(cls, structure: Structure) -> "_Parts":
        members = structure.members
        ends = np.array([(m.start, m.end) for m in members])
        span = structure.places_m[ends[:, 1]] - structure.places_m[ends[:, 0]]
        whole = np.hypot(*span.T)
        arms = np.array([(m.arm_start_m, m.arm_end_m) for m in members])
        length = whole - arms.sum(axis=1)
        cosine, sine = (span / whole[:, None]).T
        figures = np.array([(m.bending_n_m2, m.axial_n, m.shear_n, m.weight_n_per_m) for m in members]).T
        bending, axial, shear, weight = figures
        springs = _flexibility(members, length / bending)
        load = -weight[:, None] * np.column_stack([sine, cosine])
        bow = load[:, 1] * length**3 / (24 * bending)
        return cls(
            freedoms=(3 * ends[:, :, None] + np.arange(3)).reshape(-1, 6),
            turn=_turns(cosine, sine),
            ends_of=_ends_of(length, arms),
            bending=np.asarray(np.linalg.inv(_end_flexibility(length, bending, shear, springs)), dtype=float),
            flexibility_of_springs=springs,
            axial_per_m=axial / length,
            length_m=length,
            load=load,
            free_turn=np.column_stack([bow, -bow]),
            arms=arms,
        )

    def global_stiffness(self) -> FloatArray:
        """Stiffness of each member in the frame's axes, (members, 6, 6)."""
        bent = np.swapaxes(self.ends_of, 1, 2) @ self.bending @ self.ends_of
        for a, b, sign in ((0, 0, 1), (0, 3, -1), (3, 0, -1), (3, 3, 1)):
            bent[:, a, b] += sign * self.axial_per_m
        return np.asarray(np.swapaxes(self.turn, 1, 2) @ bent @ self.turn)

    def global_load(self) -> FloatArray:
        """What each member's weight puts on its nodes, in the frame's axes, (members, 6)."""
        half = self.load * self.length_m[:, None] / 2
        own = self._to_nodes(np.einsum("mij,mj->mi", self.bending, self.free_turn))
        own[:, [0, 3]] += half[:, :1]
        own[:, [1, 4]] += half[:, 1:]
        own[:, 2] += self.arms[:, 0] * half[:, 1]
        own[:, 5] -= self.arms[:, 1] * half[:, 1]
        return self._to_frame(own)

    def ends(self, movement: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Moment and shear at both flexible ends of each member, (members, 2) each."""
        own = np.einsum("mij,mj->mi", self.turn, movement[self.freedoms])
        turned = np.einsum("mij,mj->mi", self.ends_of, own) - self.free_turn
        moment = np.einsum("mij,mj->mi", self.bending, turned)
        couple, half = moment.sum(axis=1) / self.length_m, self.load[:, 1] * self.length_m / 2
        return moment, np.column_stack([couple - half, -couple - half])

    def softening(self, moment: FloatArray, scaled: BoolArray) -> FloatArray:
        """Change of the nodes' forces, at the same movement, per unit of ln of the scaled springs."""
        given = np.where(scaled, self.flexibility_of_springs, 0.0) * moment
        return self._to_frame(self._to_nodes(np.einsum("mij,mj->mi", self.bending, given)))

    def _to_nodes(self, moments: FloatArray) -> FloatArray:
        return np.asarray(np.einsum("mji,mj->mi", self.ends_of, moments))

    def _to_frame(self, own: FloatArray) -> FloatArray:
        return np.asarray(np.einsum("mji,mj->mi", self.turn, own))


def _flexibility(members: Sequence[Member], soft: FloatArray) -> FloatArray:
    springs = np.array([(m.spring_start, m.spring_end) for m in members])
    with np.errstate(divide="ignore"):
        return np.asarray(np.minimum(1 / springs, SOFTEST * soft[:, None]))


def _end_flexibility(
    length: FloatArray, bending: FloatArray, shear: FloatArray, springs: FloatArray
) -> FloatArray:
    slide, bend = 1 / (shear * length), length / bending
    flexibility = np.empty((length.size, 2, 2))
    flexibility[:, 0, 0], flexibility[:, 1, 1] = (bend / 3 + slide + springs[:, end] for end in (0, 1))
    flexibility[:, 0, 1] = flexibility[:, 1, 0] = slide - bend / 6
    return flexibility


def _ends_of(length: FloatArray, arms: FloatArray) -> FloatArray:
    # Turns of the two flexible ends from their chord, out of x, y and turn of both nodes.
    rows = np.zeros((length.size, 2, 6))
    rows[:, :, 1] = 1 / length[:, None]
    rows[:, :, 4] = -1 / length[:, None]
    rows[:, :, 2] = (arms[:, 0] / length)[:, None]
    rows[:, :, 5] = (arms[:, 1] / length)[:, None]
    rows[:, 0, 2] += 1
    rows[:, 1, 5] += 1
    return rows


def _turns(cosine: FloatArray, sine: FloatArray) -> FloatArray:
    turn = np.zeros((cosine.size, 6, 6))
    for at in (0, 3):
        turn[:, at, at] = turn[:, at + 1, at + 1] = cosine
        turn[:, at, at + 1], turn[:, at + 1, at] = sine, -sine
        turn[:, at + 2, at + 2] = 1.0
    return turn
