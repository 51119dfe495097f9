"""Joints against the elastic group worked apart (tests/published/frame.json) and a grid of points."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.errors import OutOfRangeError
from server.joinery.joints import (
    Dowels,
    Given,
    Joint,
    MortiseTenon,
    StubLoose,
    Tenon,
    check_joint,
    faces,
    group,
    index_pa,
    pegged_n_m_per_rad,
    stiffness_n_m_per_rad,
)
from tests.joinery import yard
from tests.refusals import refuses

LAW = settings(derandomize=True, database=None, deadline=None, max_examples=60)
CASES = yard.cases("frame")
GLUED = [name for name in CASES if name.startswith("joint-") and "J_m4" in CASES[name]["output"]]
RACKED = [name for name in GLUED if "k_Nm_per_rad" in CASES[name]["output"]]
LOCK = {"rail_depth_m": 0.2, "stile_m": 0.12, "thickness_m": 0.054}


def of(case: dict[str, Any]) -> Joint:
    if "door" not in case["input"]:
        return yard.joint(case["input"]["joint"])
    door = yard.leaf(case["input"]["door"])
    return next(rail.joint_hinge for rail in door.rails if rail.name == case["input"]["rail"])


@pytest.mark.parametrize("name", RACKED)
def test_group_stiffness_and_index(name: str) -> None:
    out, joint = CASES[name]["output"], of(CASES[name])
    whole = group(joint)
    assert whole.area_m2 == pytest.approx(out["A_m2"], rel=1e-9)
    assert whole.polar_m4 == pytest.approx(out["J_m4"], rel=1e-9)
    assert whole.x_m == pytest.approx(out["x_c_m"], rel=1e-9)
    assert stiffness_n_m_per_rad(joint) == pytest.approx(out["k_Nm_per_rad"], rel=1e-9)
    assert index_pa(joint, 1.0) == pytest.approx(out["index_1Nm_Pa"], rel=1e-9)
    if "index_M50_V100_Pa" in out:
        assert index_pa(joint, -50.0, 100.0) == pytest.approx(out["index_M50_V100_Pa"], rel=1e-9)


@pytest.mark.parametrize("name", GLUED)
def test_polar_moment_by_a_grid_of_points(name: str) -> None:
    """Second way: 400 x 400 points a face, about the centre that the points themselves have."""
    joint, points, weights = of(CASES[name]), [], []
    for face in faces(joint):
        steps = (np.arange(400) + 0.5) / 400 - 0.5
        x, y = np.meshgrid(face.x_m + steps * face.depth_m, face.y_m + steps * face.width_m)
        points.append(np.column_stack([x.ravel(), y.ravel()]))
        weights.append(np.full(x.size, face.area_m2 / x.size))
    place, weight = np.concatenate(points), np.concatenate(weights)
    away = place - weight @ place / weight.sum()
    assert group(joint).polar_m4 == pytest.approx(float(weight @ (away**2).sum(axis=1)), rel=1e-5)


def test_the_sum_is_no_strength() -> None:
    """Eckelman, Uysal, Haviarova 2016: 140 white-oak tenons held 2.6 times what 6.8 MPa in the glue gives."""
    out, joint = CASES["joint-absolute-fails"]["output"], of(CASES["joint-absolute-fails"])
    predicted = 6.8e6 / index_pa(joint, 1.0)
    assert predicted == pytest.approx(out["M_predicted_Nm"], rel=1e-9)
    assert 358 / predicted == pytest.approx(2.6, abs=0.05)


def test_a_lower_neighbour_that_was_measured() -> None:
    """Eckelman and Haviarova: full-width pinned tenons, unglued, 12.27e-6 and 2.57e-6 rad/(N m)."""
    out = CASES["stiffness-published"]["output"]["k_Nm_per_rad"]
    assert pytest.approx(out, rel=1e-9) == [1 / 12.27e-6, 1 / 2.57e-6]
    bottom = stiffness_n_m_per_rad(yard.leaf("north").rails[0].joint_hinge)
    assert bottom > max(out)


def test_pegs_without_glue() -> None:
    """EN 1995-1-1, table 7.1, formula from memory: the arithmetic alone."""
    case = CASES["joint-slip-modulus"]
    found = pegged_n_m_per_rad(674.0, 0.012, case["input"]["y_m"])
    assert found == pytest.approx(case["output"]["k_Nm_per_rad"], rel=1e-9)
    moved = [y + 0.03 for y in case["input"]["y_m"]]
    assert pegged_n_m_per_rad(674.0, 0.012, moved) == pytest.approx(found, rel=1e-9)


@LAW
@given(st.floats(0.2, 5), st.floats(0.05, 1))
def test_sizes_in_another_unit(times: float, f_k: float) -> None:
    """J goes with the fourth power of the size, the index for a moment with its inverse third."""
    small = MortiseTenon(tenon=Tenon(width_m=0.16, depth_m=0.09, thickness_m=0.018))
    large = MortiseTenon(tenon=Tenon(width_m=0.16 * times, depth_m=0.09 * times, thickness_m=0.018 * times))
    assert group(large).polar_m4 == pytest.approx(group(small).polar_m4 * times**4, rel=1e-11)
    assert index_pa(large, 3.0) == pytest.approx(index_pa(small, 3.0) / times**3, rel=1e-11)
    assert stiffness_n_m_per_rad(small, f_k) == pytest.approx(
        f_k * stiffness_n_m_per_rad(small, 1.0), rel=1e-12
    )


@LAW
@given(st.lists(st.floats(-0.08, 0.08), min_size=1, max_size=6), st.floats(0, 200), st.floats(0, 900))
def test_upside_down_is_the_same_joint(heights: list[float], moment: float, shear: float) -> None:
    joint = Dowels(y_m=tuple(heights), diameter_m=0.012, depth_m=0.05)
    other = replace(joint, y_m=tuple(-y for y in heights))
    assert stiffness_n_m_per_rad(other) == pytest.approx(stiffness_n_m_per_rad(joint), rel=1e-9)
    assert index_pa(other, moment, shear) == pytest.approx(index_pa(joint, moment, shear), rel=1e-9)


@LAW
@given(st.floats(-200, 200), st.floats(-900, 900), st.floats(0.1, 10))
def test_index_goes_with_the_load_and_not_with_its_sign(moment: float, shear: float, times: float) -> None:
    joint = of(CASES["joint-south-lock"])
    once = index_pa(joint, moment, shear)
    assert index_pa(joint, times * moment, -times * shear) == pytest.approx(times * once, rel=1e-9)


def test_given_stiffness_is_taken_as_it_is_and_has_no_faces() -> None:
    assert stiffness_n_m_per_rad(Given(stiffness_n_m_per_rad=5e5), 0.05) == 5e5
    with refuses(OutOfRangeError, asked="glue faces", needed="its dimensions", came="a stiffness alone"):
        group(Given(stiffness_n_m_per_rad=5e5))
    with refuses(OutOfRangeError, asked="stiffness of a joint", needed="above 0", came="0"):
        stiffness_n_m_per_rad(Given(stiffness_n_m_per_rad=0.0))
    with refuses(OutOfRangeError, asked="stiffness factor", needed="above 0", came="-1"):
        stiffness_n_m_per_rad(of(CASES["joint-dowels"]), -1.0)


def tenon(width: float = 0.08, depth: float = 0.09, thickness: float = 0.018, y: float = 0.0) -> Tenon:
    return Tenon(width_m=width, depth_m=depth, thickness_m=thickness, y_m=y)


def test_the_yard_s_joints_can_be_made_and_the_wide_ones_are_warned_of() -> None:
    """Single tenons of 180 and 160 mm: common practice, no source, splits them above 100."""
    for name, warned in (("north", 4), ("south", 0)):
        leaf = yard.leaf(name)
        found = [
            warning
            for rail in leaf.rails
            for joint in (rail.joint_hinge, rail.joint_latch)
            for warning in check_joint(joint, rail_depth_m=rail.depth_m, stile_m=0.12, thickness_m=0.054)
        ]
        assert len(found) == warned
        assert all("common practice, no source" in warning for warning in found)


LOOSE = tenon(0.03, 0.038, 0.010)
REFUSED: list[tuple[Joint, str, str, str]] = [
    (MortiseTenon(tenon=tenon(0.21)), "tenon in its rail", "within 200 mm", "210 mm wide at 0 mm"),
    (MortiseTenon(tenon=tenon(0.15, y=0.03)), "tenon in its rail", "within 200 mm", "150 mm wide at 30 mm"),
    (MortiseTenon(tenon=tenon(depth=0.13)), "tenon in its stile", "at most 120 mm", "130"),
    (MortiseTenon(tenon=tenon(thickness=0.033)), "thickness", "0.6 of the leaf's 54 mm", "33 mm"),
    (MortiseTenon(tenon=tenon(width=0.0)), "size of a tenon", "above 0 mm", "0 x 90 x 18 mm"),
    (
        StubLoose(stub=tenon(0.16, 0.02, 0.014), loose=(LOOSE, replace(LOOSE, y_m=0.029))),
        "tenons in a row",
        "no overlap",
        "29 mm from one to the next",
    ),
    (Dowels(y_m=(0.0, 0.01), diameter_m=0.012, depth_m=0.05), "tenons in a row", "no overlap", "10 mm"),
    (StubLoose(stub=tenon(0.16, 0.02, 0.014), loose=()), "glue faces", "one glued tenon", "none"),
    (Given(stiffness_n_m_per_rad=-1.0), "stiffness of a joint", "above 0", "-1"),
]


@pytest.mark.parametrize(("joint", "asked", "needed", "came"), REFUSED)
def test_refuses_a_joint_that_cannot_be_made(joint: Joint, asked: str, needed: str, came: str) -> None:
    with refuses(OutOfRangeError, asked=asked, needed=needed, came=came):
        check_joint(joint, **LOCK)


def test_tenons_that_touch_do_not_overlap() -> None:
    stub = tenon(0.16, 0.02, 0.014)
    assert check_joint(StubLoose(stub=stub, loose=(LOOSE, replace(LOOSE, y_m=0.03))), **LOCK) == ()
    assert check_joint(Given(stiffness_n_m_per_rad=5e5), **LOCK) == ()
