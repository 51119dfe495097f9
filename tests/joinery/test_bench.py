"""Stiffness of pieces against numpy's own least squares and tests/published/pieces.json."""

from dataclasses import replace

import numpy as np
import pytest

from server.errors import OutOfRangeError
from server.joinery.bench import Factor, Section, prior_f_k, same_sizes, stiffness, with_load_test
from server.joinery.joints import Dowels, Given, MortiseTenon, StubLoose, Tenon
from server.joinery.refusals import TooFewPiecesError, TooFewPointsError
from tests.joinery import yard
from tests.refusals import refuses

CASES = yard.cases("pieces")
SLOPE, PRIOR = CASES["stiffness-slope"], CASES["prior-f-k"]
GIVEN = SLOPE["input"]
RAIL = Section(modulus_pa=GIVEN["rail_E_pa"], depth_m=GIVEN["rail_d_m"], thickness_m=GIVEN["rail_t_m"])
LOADS, DEFLECTIONS = GIVEN["load_n"], [mm / 1000 for mm in GIVEN["deflection_mm"]]
LOCK = yard.leaf("north").joints["lock-hinge"]


def test_published_points() -> None:
    out = SLOPE["output"]
    found = stiffness(LOADS, DEFLECTIONS, arm_m=0.3, load_at_failure_n=2400, rail=RAIL)
    assert found.points == out["points"]
    assert found.gross_n_m_per_rad == pytest.approx(out["gross"], rel=1e-9)
    assert found.taken_off_rad_per_n_m == pytest.approx(out["taken_off"], rel=1e-9)
    assert found.stiffness_n_m_per_rad == pytest.approx(out["k"], rel=1e-9)
    assert found.sd_ln == pytest.approx(out["sd_ln"], rel=1e-9)


def test_points_at_both_ends_of_the_span_count() -> None:
    """10 and 40 % of 1 000 N are themselves within."""
    found = stiffness(
        [*LOADS[1:5], 250.0], [*DEFLECTIONS[1:5], 0.0001125], arm_m=0.3, load_at_failure_n=1000, rail=RAIL
    )
    assert found.points == 5


def test_slope_as_by_polyfit() -> None:
    inside = slice(3, 10)
    turns, moments = np.array(DEFLECTIONS[inside]) / 0.3, np.array(LOADS[inside]) * 0.3
    fit, covariance = np.polyfit(moments, turns, 1, cov=True)
    found = stiffness(LOADS, DEFLECTIONS, arm_m=0.3, load_at_failure_n=2400, rail=RAIL)
    assert 1 / found.gross_n_m_per_rad == pytest.approx(fit[0], rel=1e-9)
    assert found.sd_ln / found.stiffness_n_m_per_rad == pytest.approx(np.sqrt(covariance[0, 0]), rel=1e-9)


def test_true_stiffness_comes_back() -> None:
    """Deflection of a tip by hand: turn of joint and clamps, and the rail as a Timoshenko cantilever."""
    bending, shear = 11.72e9 * 3.6e-5, 6_592_500.0
    loads = np.linspace(0, 2400, 41)
    tip = loads * (0.3**2 / 4.2e5 + 0.3**2 * 1e-7 + 0.3**3 / (3 * bending) + 0.3 / shear) + 2e-5
    found = stiffness(
        loads.tolist(), tip.tolist(), arm_m=0.3, load_at_failure_n=2400, rail=RAIL, rig_rad_per_n_m=1e-7
    )
    assert found.stiffness_n_m_per_rad == pytest.approx(4.2e5, rel=1e-9)


def test_refuses_few_points_and_a_joint_stiffer_than_its_rail() -> None:
    with refuses(TooFewPointsError, asked="stiffness", needed="5 points between 10 and 40 %", came="2"):
        stiffness(LOADS[:5], DEFLECTIONS[:5], arm_m=0.3, load_at_failure_n=2400, rail=RAIL)
    with refuses(
        TooFewPointsError, asked="stiffness", needed="turns more than its own rail", came="taken off"
    ):
        stiffness(LOADS, DEFLECTIONS, arm_m=0.3, load_at_failure_n=2400, rail=replace(RAIL, depth_m=0.1))


def test_prior_of_pieces_and_the_load_test() -> None:
    out = PRIOR["output"]
    prior = prior_f_k(PRIOR["input"]["k"], LOCK)
    assert (prior.f_k, prior.sd_ln) == pytest.approx((out["median"], out["sd_ln"]), rel=1e-9)
    tested = Factor(**out["with_load_test"]["given"])
    both = with_load_test(prior, tested)
    wanted = out["with_load_test"]
    assert (both.together.f_k, both.together.sd_ln) == pytest.approx(
        (wanted["f_k"], wanted["sd_ln"]), rel=1e-9
    )
    assert not both.differ


def test_two_that_differ_are_told() -> None:
    prior = Factor(f_k=0.134, sd_ln=0.1)
    assert with_load_test(prior, Factor(f_k=0.134 * float(np.exp(0.27)), sd_ln=0.1)).differ is False
    assert with_load_test(prior, Factor(f_k=0.134 * float(np.exp(0.30)), sd_ln=0.1)).differ is True


def test_prior_needs_three_pieces_and_dimensions() -> None:
    with refuses(TooFewPiecesError, asked="from pieces", needed="3 pieces", came="2"):
        prior_f_k([4e5, 5e5], LOCK)
    with refuses(OutOfRangeError, asked="glue faces", needed="dimensions", came="stiffness alone"):
        prior_f_k([4e5, 5e5, 6e5], Given(stiffness_n_m_per_rad=5e5))


def test_same_sizes_within_five_per_cent() -> None:
    tenon = Tenon(width_m=0.16, depth_m=0.09, thickness_m=0.018)
    assert same_sizes(MortiseTenon(tenon=tenon), LOCK)
    assert same_sizes(MortiseTenon(tenon=replace(tenon, depth_m=0.0942)), LOCK)
    assert not same_sizes(MortiseTenon(tenon=replace(tenon, depth_m=0.0955)), LOCK)
    south = yard.leaf("south").joints["lock-hinge"]
    assert isinstance(south, StubLoose)
    assert same_sizes(south, south)
    assert not same_sizes(replace(south, stub_glued=True), south)
    assert not same_sizes(replace(south, loose=south.loose[1:]), south)
    assert not same_sizes(LOCK, south)
    dowels = Dowels(y_m=(-0.05, 0.05), diameter_m=0.012, depth_m=0.05)
    assert same_sizes(dowels, dowels)
    assert not same_sizes(Given(stiffness_n_m_per_rad=1.0), Given(stiffness_n_m_per_rad=1.0))
