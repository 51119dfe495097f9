"""Frames whose answers are known in closed form, and PyNiteFEA as a second program."""

import warnings
from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.errors import OutOfRangeError
from server.joinery.frame import Case, LeafModel, Load
from server.joinery.members import RIGID, FloatArray, Member, Solution, Structure, solve
from tests.joinery import yard
from tests.refusals import refuses

LAW = settings(derandomize=True, database=None, deadline=None, max_examples=60)
CASES = yard.cases("frame")
SECTION = CASES["frame-cantilever-shear"]["input"]
E, A, L = SECTION["E"], SECTION["A"], SECTION["L"]
EI = E * SECTION["I"]
FIXED = {(0, 0), (0, 1), (0, 2)}
BOTH = FIXED | {(1, 0), (1, 1), (1, 2)}


def beam(*, held: set[tuple[int, int]], load_n: float = 0.0, **member: float) -> Solution:
    structure = Structure(
        places_m=np.array([[0.0, 0.0], [L, 0.0]]),
        members=[Member(start=0, end=1, bending_n_m2=EI, axial_n=E * A, **member)],
        held=frozenset(held),
    )
    return solve(structure, {1: (0.0, -load_n, 0.0)})


def halves(*, weight: float, spring: float, shear: float) -> Solution:
    """A beam in two members, so that the middle's movement is told."""
    common = {"bending_n_m2": EI, "axial_n": E * A, "shear_n": shear, "weight_n_per_m": weight}
    structure = Structure(
        places_m=np.array([[0.0, 0.0], [L / 2, 0.0], [L, 0.0]]),
        members=[
            Member(start=0, end=1, spring_start=spring, **common),
            Member(start=1, end=2, spring_end=spring, **common),
        ],
        held=frozenset(FIXED | {(2, 0), (2, 1), (2, 2)}),
    )
    return solve(structure, {})


@pytest.mark.parametrize("shear", ["shear", "no-shear"])
@pytest.mark.parametrize(("case", "spring"), [("frame-cantilever", RIGID), ("frame-cantilever-spring", 2e5)])
def test_cantilever(case: str, spring: float, shear: str) -> None:
    """P L^3 / 3EI + P L / kappa G A + P L^2 / k: Timoshenko beam, textbooks."""
    out = CASES[f"{case}-{shear}"]["output"]
    slides = SECTION["GAs"] if shear == "shear" else RIGID
    tip = beam(held=FIXED, load_n=98.0665, shear_n=slides, spring_start=spring).movement[1]
    assert -tip[1] == pytest.approx(out["tip_drop_m"], rel=1e-9)
    assert -tip[2] == pytest.approx(out["tip_rot_rad"], rel=1e-9)
    wanted = 98.0665 * (L**3 / (3 * EI) + L / slides + L**2 / spring)
    assert -tip[1] == pytest.approx(wanted, rel=1e-9)


@pytest.mark.parametrize(
    ("name", "spring", "slides"),
    [
        ("frame-beam-endsprings-shear", 2e5, SECTION["GAs"]),
        ("frame-beam-endsprings-no-shear", 2e5, RIGID),
        ("frame-beam-fixed", RIGID, RIGID),
    ],
)
def test_beam_in_springs(name: str, spring: float, slides: float) -> None:
    """M = (w L^2 / 12) / (1 + 2EI / kL); middle 5wL^4/384EI - M L^2/8EI + w L^2/(8 kappa G A)."""
    out = CASES[name]["output"]
    found = halves(weight=150.0, spring=spring, shear=slides)
    moment = 150.0 * L**2 / 12 / (1 + 2 * EI / (spring * L))
    middle = 5 * 150 * L**4 / (384 * EI) - moment * L**2 / (8 * EI) + 150 * L**2 / (8 * slides)
    assert found.moment_n_m[0, 0] == pytest.approx(moment, rel=1e-9)
    assert found.moment_n_m[0, 0] == pytest.approx(out["M_end"], rel=1e-9)
    assert -found.movement[1, 1] == pytest.approx(middle, rel=1e-9)
    assert -found.movement[1, 1] == pytest.approx(
        out.get("mid_drop_m", out.get("mid_drop_no_shear_m")), rel=1e-9
    )


def test_propped_beam() -> None:
    """M = (w L^2 / 8) / (1 + 3EI / kL); the pin is a spring, so to 1e-8 only."""
    wanted = 150 * L**2 / 8 / (1 + 3 * EI / (2e5 * L))
    found = beam(held=BOTH, weight_n_per_m=150.0, spring_start=2e5, spring_end=0.0)
    assert found.moment_n_m[0] == pytest.approx([wanted, 0.0], rel=1e-8, abs=1e-8)
    assert found.shear_n[0].sum() == pytest.approx(150 * L, rel=1e-12)


def test_arms_lengthen_a_cantilever_but_do_not_bend() -> None:
    """Tip drop P [a^3/3EI + e a^2/EI + e^2 a/EI] of a flexible length a before a rigid arm e."""
    arm, bends = 0.06, L - 0.06
    drop = 98.0665 / EI * (bends**3 / 3 + arm * bends**2 + arm**2 * bends)
    tip = beam(held=FIXED, load_n=98.0665, arm_end_m=arm).movement[1]
    assert -tip[1] == pytest.approx(drop, rel=1e-9)
    root = beam(held=FIXED, load_n=98.0665, arm_start_m=arm).movement[1]
    assert -root[1] == pytest.approx(98.0665 * bends**3 / (3 * EI), rel=1e-9)


@pytest.mark.parametrize(("name", "spring"), [("frame-portal-rigid", RIGID), ("frame-portal-spring", 2e5)])
def test_portal(name: str, spring: float) -> None:
    """Slope-deflection, columns that do not shorten; A of 1e6 times stands for that, to 2e-8."""
    out = CASES[name]["output"]
    column = {"bending_n_m2": E * 3.6e-5, "axial_n": 1e6 * E * A}
    structure = Structure(
        places_m=np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 2.0], [1.0, 2.0]]),
        members=[
            Member(start=0, end=2, **column),
            Member(start=1, end=3, **column),
            Member(
                start=2,
                end=3,
                bending_n_m2=E * 1.8e-5,
                axial_n=1e6 * E * A,
                spring_start=spring,
                spring_end=spring,
            ),
        ],
        held=frozenset((node, way) for node in (0, 1) for way in range(3)),
    )
    found = solve(structure, {2: (1000.0, 0.0, 0.0)})
    assert found.movement[2, 0] == pytest.approx(out["sway_m"], rel=1e-7)
    base = (abs(found.moment_n_m[0, 0]) + abs(found.moment_n_m[1, 0])) / 2
    eave = (abs(found.moment_n_m[0, 1]) + abs(found.moment_n_m[1, 1])) / 2
    assert [base, eave] == pytest.approx([out["M_base"], out["M_eave"]], rel=1e-7)


def test_supports_hold_what_is_hung() -> None:
    found = beam(held=FIXED, load_n=98.0665, weight_n_per_m=150.0)
    assert found.held_n[0, 1] == pytest.approx(98.0665 + 150 * L, rel=1e-9)
    assert found.held_n[0, 2] == pytest.approx(98.0665 * L + 150 * L**2 / 2, rel=1e-9)
    assert found.held_n[1] == pytest.approx([0, 0, 0])


@LAW
@given(st.floats(-3.0, 3.0), st.floats(1e3, 1e7), st.floats(0.0, 0.2))
def test_turning_the_whole_changes_nothing(angle: float, spring: float, arm: float) -> None:
    """A cantilever in any direction, its load across it: the axes are no part of the answer."""
    across = np.array([-np.sin(angle), np.cos(angle)])
    structure = Structure(
        places_m=np.array([[0.0, 0.0], [L * np.cos(angle), L * np.sin(angle)]]),
        members=[Member(start=0, end=1, bending_n_m2=EI, axial_n=E * A, spring_start=spring, arm_end_m=arm)],
        held=frozenset(FIXED),
    )
    turned = solve(structure, {1: (*(-98.0 * across), 0.0)}).movement[1]
    straight = beam(held=FIXED, load_n=98.0, spring_start=spring, arm_end_m=arm).movement[1]
    assert turned[:2] @ across == pytest.approx(straight[1], rel=1e-9)
    assert turned[2] == pytest.approx(straight[2], rel=1e-9)


def test_slope_is_the_change_with_the_springs() -> None:
    """P L^2 / k falls by itself for each unit of ln k."""
    structure = Structure(
        places_m=np.array([[0.0, 0.0], [L, 0.0]]),
        members=[Member(start=0, end=1, bending_n_m2=EI, axial_n=E * A, spring_start=2e5)],
        held=frozenset(FIXED),
    )
    found = solve(structure, {1: (0.0, -98.0, 0.0)}, scaled=np.array([[True, False]]))
    assert found.slope[1, 1] == pytest.approx(98.0 * L**2 / 2e5, rel=1e-9)


def test_refuses_a_frame_that_is_not_held() -> None:
    with refuses(OutOfRangeError, asked="frame", needed="enough held", came="moves freely"):
        beam(held={(0, 0), (0, 1)}, load_n=1.0)
    with refuses(OutOfRangeError, asked="frame", needed="enough held", came="moves freely"):
        beam(held={(0, 1), (1, 1), (1, 2)}, load_n=1.0)
    with refuses(OutOfRangeError, asked="frame", needed="enough held", came="moves freely"):
        beam(held=set(), load_n=1.0)


def by_pynite(
    structure: Structure, forces: Mapping[int, tuple[float, float, float]], short_m: float
) -> FloatArray:
    """Movements of the nodes by PyNiteFEA: springs as short members of k l, arms 10 000 times as stiff."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # another project's, and not ours to mend
        model = pytest.importorskip("Pynite").FEModel3D()
    model.add_material("wood", 1.0, 1.0, 0.3, 0.0)
    for number, (x, y) in enumerate(structure.places_m):
        model.add_node(f"N{number}", x, y, 0.0)
    for number, member in enumerate(structure.members):
        _chain(model, structure, number, member, short_m)
    for name in model.nodes:
        ways = [
            name == f"N{node}" and (node, way) in structure.held
            for way in range(3)
            for node in [_number(name)]
        ]
        model.def_support(
            name,
            support_DX=ways[0],
            support_DY=ways[1],
            support_DZ=True,
            support_RX=True,
            support_RY=True,
            support_RZ=ways[2],
        )
    for node, force in forces.items():
        for way, amount in zip(("FX", "FY", "MZ"), force, strict=True):
            model.add_node_load(f"N{node}", way, amount)
    model.analyze(check_stability=False)
    nodes = [model.nodes[f"N{number}"] for number in range(len(structure.places_m))]
    return np.array([[n.DX["Combo 1"], n.DY["Combo 1"], n.RZ["Combo 1"]] for n in nodes])


def _number(name: str) -> int:
    return int(name[1:]) if name[0] == "N" else -1


def _chain(model: Any, structure: Structure, number: int, member: Member, short_m: float) -> None:
    start, end = structure.places_m[member.start], structure.places_m[member.end]
    length = float(np.hypot(*(end - start)))
    arms = [arm for arm in (member.arm_start_m, length - member.arm_end_m) if 0 < arm < length]
    springs = [
        (at + sign * short_m, spring)
        for at, sign, spring in (
            (member.arm_start_m, 1, member.spring_start),
            (length - member.arm_end_m, -1, member.spring_end),
        )
        if np.isfinite(spring)
    ]
    cuts = sorted([0.0, length, *arms, *(at for at, _ in springs)])
    names = [f"N{member.start}", *(f"M{number}-{i}" for i in range(1, len(cuts) - 1)), f"N{member.end}"]
    for name, cut in zip(names[1:-1], cuts[1:-1], strict=True):
        model.add_node(name, *(start + (end - start) * cut / length), 0.0)
    for i, (low, high) in enumerate(pairwise(cuts)):
        is_arm = high <= member.arm_start_m or low >= length - member.arm_end_m
        near = [spring for at, spring in springs if at in (low, high) and high - low < 1.5 * short_m]
        bending = near[0] * (high - low) if near else member.bending_n_m2 * (1e4 if is_arm else 1)
        axial = member.axial_n * (1e4 if is_arm else 1)
        section = f"S{number}-{i}"
        model.add_section(section, axial, 1.0, bending, 1.0)
        model.add_member(f"B{number}-{i}", names[i], names[i + 1], "wood", section)
        if member.weight_n_per_m and not is_arm:
            model.add_member_dist_load(f"B{number}-{i}", "FY", -member.weight_n_per_m, -member.weight_n_per_m)


def without(structure: Structure, **change: float) -> Structure:
    return replace(structure, members=[replace(member, **change) for member in structure.members])  # type: ignore[arg-type]  # floats


CASES_OF_A_DOOR = [
    Case(shear=False),
    Case(shear=False, weight=False, load=Load(force_n=98.0665, x_m=1.05, y_m=0.0)),
]


@pytest.mark.parametrize("case", CASES_OF_A_DOOR, ids=["own weight", "10 kg"])
def test_leaf_with_rigid_joints_as_by_pynite(case: Case) -> None:
    """PyNiteFEA 3.2: without shear, springs and arms it knows all there is; 1e-8 of the largest."""
    model = LeafModel(yard.leaf("north"), case)
    plain = without(model.structure, spring_start=RIGID, spring_end=RIGID, arm_start_m=0.0, arm_end_m=0.0)
    own, other = solve(plain, model.forces).movement, by_pynite(plain, model.forces, 1e-4)
    assert (np.abs(own - other) <= 1e-8 * np.abs(other).max(axis=0)).all()


@pytest.mark.parametrize("door", ["north", "south"])
@pytest.mark.parametrize("case", CASES_OF_A_DOOR, ids=["own weight", "10 kg"])
def test_leaf_with_springs_as_by_pynite_extrapolated(door: str, case: Case) -> None:
    """Springs as members of 0.4, 0.2 and 0.1 mm, extrapolated to none: 1e-4 of the largest."""
    model = LeafModel(yard.leaf(door), case)
    own = solve(model.structure, model.forces).movement
    a, b, c = (by_pynite(model.structure, model.forces, short) for short in (4e-4, 2e-4, 1e-4))
    other = (8 * c - 6 * b + a) / 3
    assert (np.abs(own - other) <= 1e-4 * np.abs(other).max(axis=0)).all()
    assert (np.abs(own - a).max(axis=0) > 1e-4 * np.abs(other).max(axis=0)).any()
