"""Shear lag against its closed form, finite elements of its own, and published cases."""

from dataclasses import replace

import numpy as np
import pytest

from server.errors import OutOfRangeError
from server.joinery.joints import Dowels, MortiseTenon, StubLoose, Tenon
from server.joinery.restraint import Across, restraint, seasonal_gap_mm
from tests.joinery import yard
from tests.refusals import refuses

CASES = yard.cases("frame")["restraint-demo"]["output"]
RAILS = [rail.name for rail in yard.leaf("north").rails]


def across(door: str, rail: str) -> Across:
    leaf = yard.leaf(door)
    depth = next(one.depth_m for one in leaf.rails if one.name == rail)
    return Across(
        rail_depth_m=depth, thickness_m=leaf.thickness_m, modulus_across_pa=leaf.e90_over_e * leaf.modulus_pa
    )


@pytest.mark.parametrize("rail", RAILS)
@pytest.mark.parametrize(("door", "kind"), [("north", "single"), ("south", "loose")])
def test_published_restraint(door: str, kind: str, rail: str) -> None:
    """The single tenon is a closed form: 1 - 1/cosh(mu w / 2), tanh(mu w / 2) / mu."""
    found = restraint(yard.leaf(door).joints[f"{rail}-hinge"], across(door, rail))
    assert found.held_share == pytest.approx(CASES[rail][kind]["rho"], rel=1e-9)
    assert found.slip_m_per_strain == pytest.approx(CASES[rail][kind]["slip_m_per_strain"], rel=1e-9)


def by_elements(joint: StubLoose, where: Across, count: int) -> tuple[float, float]:
    """Second way: bar elements over the whole depth, glue springs where they lie under a tenon."""
    leaf_area = where.thickness_m * joint.loose[0].depth_m
    stretch, glue = where.modulus_across_pa * leaf_area, 4e10 * 2 * joint.loose[0].depth_m
    nodes = np.linspace(-where.rail_depth_m / 2, where.rail_depth_m / 2, count + 1)
    step = where.rail_depth_m / count
    middle = (nodes[1:] + nodes[:-1]) / 2
    held = np.any([np.abs(middle - t.y_m) < t.width_m / 2 for t in joint.loose], axis=0)
    diagonal, beside, load = np.zeros(count + 1), np.zeros(count), np.zeros(count + 1)
    spring = np.where(held, glue * step, 0.0)
    for end in (slice(None, -1), slice(1, None)):
        diagonal[end] += stretch / step + spring / 3
    beside += -stretch / step + spring / 6
    load[:-1] -= stretch
    load[1:] += stretch
    matrix = np.diag(diagonal) + np.diag(beside, 1) + np.diag(beside, -1)
    slip = np.linalg.solve(matrix, load)
    force = np.diff(slip) / step - 1
    return float(np.abs(force).max()), float(slip[-1])


@pytest.mark.parametrize("rail", RAILS)
def test_loose_tenons_by_finite_elements(rail: str) -> None:
    """1 200 elements that meet the tenons' edges; their force is that of their middles, so to 1e-4."""
    joint, where = yard.leaf("south").joints[f"{rail}-hinge"], across("south", rail)
    assert isinstance(joint, StubLoose)
    share, slip = by_elements(joint, where, 1200)
    found = restraint(joint, where)
    assert found.held_share == pytest.approx(share, rel=1e-4)
    assert found.slip_m_per_strain == pytest.approx(slip, rel=1e-4)


def test_one_loose_tenon_as_thick_as_the_leaf_is_a_single_tenon() -> None:
    tenon = Tenon(width_m=0.16, depth_m=0.05, thickness_m=0.054)
    where = across("south", "lock")
    loose = restraint(StubLoose(stub=tenon, loose=(tenon,)), replace(where, rail_depth_m=0.16))
    single = restraint(MortiseTenon(tenon=tenon), where)
    assert loose.held_share == pytest.approx(single.held_share, rel=1e-9)
    assert loose.slip_m_per_strain == pytest.approx(single.slip_m_per_strain, rel=1e-9)


def test_layout_that_is_not_even_about_the_axis() -> None:
    """Shifted with its rail's edges it is held less on the long side; elements agree."""
    one = Tenon(width_m=0.03, depth_m=0.038, thickness_m=0.01)
    joint = StubLoose(stub=one, loose=tuple(replace(one, y_m=y) for y in (-0.07, -0.03, 0.01)))
    where = across("south", "lock")
    share, slip = by_elements(joint, where, 1200)
    found = restraint(joint, where)
    assert found.held_share == pytest.approx(share, rel=1e-4)
    assert found.slip_m_per_strain == pytest.approx(slip, rel=1e-4)


def test_many_loose_tenons_do_not_avoid_it() -> None:
    for rail in RAILS:
        north, south = (
            restraint(yard.leaf(d).joints[f"{rail}-hinge"], across(d, rail)) for d in ("north", "south")
        )
        assert south.held_share / north.held_share == pytest.approx(CASES[rail]["ratio_rho"], rel=1e-9)


@pytest.mark.parametrize(("door", "gap"), [("north", 0.375930), ("south", 0.158726)])
def test_seasonal_gap(door: str, gap: float) -> None:
    """-4 % MC in sapele, mean of C_R and C_T; a closed form."""
    for rail in RAILS:
        joint = yard.leaf(door).joints[f"{rail}-latch"]
        assert seasonal_gap_mm(joint, 0.0020885 * -4.0) == pytest.approx(gap, rel=1e-9)
        assert seasonal_gap_mm(joint, 0.0020885 * 4.0) == pytest.approx(-gap, rel=1e-9)


def test_glued_stub_anchors_the_stile_nearer_its_shoulder() -> None:
    """Lock rail of south with its stub glued: 15.8 mm instead of 19."""
    joint = yard.joint(yard.cases("frame")["joint-stub-glued"]["input"]["joint"])
    assert seasonal_gap_mm(joint, -1.0) == pytest.approx(15.764, abs=1e-3)


def test_refuses_dowels() -> None:
    with refuses(OutOfRangeError, asked="across the grain", needed="tenon", came="Dowels"):
        restraint(Dowels(y_m=(0.0,), diameter_m=0.012, depth_m=0.05), across("north", "lock"))
