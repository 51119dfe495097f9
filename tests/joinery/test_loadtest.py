"""The load test against published curves, and its slope against central steps of its own."""

from dataclasses import replace

import numpy as np
import pytest

from server.errors import OutOfRangeError
from server.joinery.frame import Case, leaf_frame
from server.joinery.joints import Given
from server.joinery.leaf import STATES, read
from server.joinery.loadtest import (
    fit_f_k,
    rack_of_diagonals_mm,
    rack_of_load_mm,
    stiffness_left,
    strap_load,
    turn_rise_mrad,
)
from tests.joinery import yard
from tests.refusals import refuses

CASES = yard.cases("frame")
DOORS = ["north", "south"]


@pytest.mark.parametrize("door", DOORS)
def test_published_load_test(door: str) -> None:
    leaf, case = yard.leaf(door), CASES[f"loadtest-{door}"]
    load, out = strap_load(leaf), case["output"]
    for factor, rack in out["curve_rack_mm"].items():
        assert rack_of_load_mm(leaf, load, float(factor))[0] == pytest.approx(rack, rel=1e-8)
    fit = fit_f_k(leaf, load, rack_mm=case["input"]["rack_measured_mm"], sd_mm=case["input"]["rack_sd_mm"])
    told = [fit.f_k, fit.slope_mm, fit.sd_ln, fit.low, fit.high]
    wanted = [out[key] for key in ("f_k", "d_rack_d_ln_f_mm", "sd_ln_f", "f_low", "f_high")]
    assert told == pytest.approx(wanted, rel=1e-7)
    assert fit.beyond is None


@pytest.mark.parametrize("door", DOORS)
@pytest.mark.parametrize("factor", [0.06, 0.128, 0.9])
def test_slope_by_central_steps(door: str, factor: float) -> None:
    """Second way: steps of 0.02 and 0.01 in ln f, extrapolated."""
    leaf = yard.leaf(door)
    load = strap_load(leaf)

    def central(step: float) -> float:
        ends = [rack_of_load_mm(leaf, load, factor * float(np.exp(sign * step)))[0] for sign in (1, -1)]
        return (ends[0] - ends[1]) / (2 * step)

    slope = rack_of_load_mm(leaf, load, factor)[1]
    assert slope == pytest.approx((4 * central(0.01) - central(0.02)) / 3, rel=1e-7)


def test_fit_undoes_the_frame() -> None:
    leaf = yard.leaf("south")
    for mass_kg, height, factor in ((10.0, 0.0, 0.07), (6.5, 0.95, 0.31), (3.0, 2.15, 0.9)):
        load = strap_load(leaf, mass_kg=mass_kg, y_m=height)
        rack = leaf_frame(leaf, Case(weight=False, load=load, f_k=factor)).rack_mm
        assert fit_f_k(leaf, load, rack_mm=rack, sd_mm=0.005).f_k == pytest.approx(factor, rel=1e-9)


@pytest.mark.parametrize(("rack", "f_k", "beyond"), [(0.5, 0.05, "softer"), (0.01, 1.0, "stiffer")])
def test_nothing_is_extrapolated(rack: float, f_k: float, beyond: str) -> None:
    leaf = yard.leaf("north")
    fit = fit_f_k(leaf, strap_load(leaf), rack_mm=rack, sd_mm=0.005)
    assert (fit.f_k, fit.beyond) == (f_k, beyond)


@pytest.mark.parametrize("door", DOORS)
def test_stiffness_left_at_a_rise_of_the_turn(door: str) -> None:
    for rise, left in CASES["psi-stiffness-left"]["output"][door].items():
        found = stiffness_left(yard.leaf(door), "lock-hinge", rise_mrad=float(rise))
        assert found == pytest.approx(left, rel=1e-8)


@pytest.mark.parametrize(("door", "rise"), [("north", 0.166), ("south", 0.215)])
def test_rise_that_leaves_a_fifth(door: str, rise: float) -> None:
    """The open limit of a joint's turn."""
    found = turn_rise_mrad(yard.leaf(door), "lock-hinge", left=0.2)
    assert found == pytest.approx(rise, abs=5e-4)
    assert stiffness_left(yard.leaf(door), "lock-hinge", rise_mrad=found) == pytest.approx(0.2, rel=1e-9)


def test_rack_of_two_diagonals() -> None:
    """On the bench: 1.1079 (fall - rise) / 2, and the leaf's own map of the same corners."""
    leaf, corners = yard.leaf("north"), {"x_m": (0.06, 0.99), "y_m": (0.1, 2.05)}
    assert rack_of_diagonals_mm(leaf, **corners, fall_mm=1.0, rise_mm=-1.0) == pytest.approx(1.1079, abs=5e-5)
    state = np.zeros((1, len(STATES)))
    state[0, STATES.index("gam")], state[0, STATES.index("lam")], state[0, STATES.index("eps")] = (
        1e-5,
        1e-5,
        1e-5,
    )
    both = [yard.STATIONS[name] for name in ("diag-fall", "diag-rise")]
    fall, rise = (float((read(yard.SHAPE, d, state) - read(yard.SHAPE, d, 0 * state))[0]) for d in both)
    found = rack_of_diagonals_mm(leaf, **corners, fall_mm=fall, rise_mm=rise)
    assert found == pytest.approx(810 * 1e-5, rel=1e-4)
    with refuses(OutOfRangeError, asked="rack from diagonals", needed="above the other", came="(2.05, 2.05)"):
        rack_of_diagonals_mm(leaf, x_m=(0.06, 0.99), y_m=(2.05, 2.05), fall_mm=1.0, rise_mm=0.0)
    with refuses(OutOfRangeError, asked="rack from diagonals", needed="both stiles", came="(0.06, 0.11)"):
        rack_of_diagonals_mm(leaf, x_m=(0.06, 0.11), y_m=(0.1, 2.05), fall_mm=1.0, rise_mm=0.0)


def test_load_hangs_at_the_latch_s_bottom_corner() -> None:
    load = strap_load(yard.leaf("north"))
    assert load.force_n == pytest.approx(98.0665)
    assert (load.x_m, load.y_m) == (1.05, 0.0)


def test_refuses() -> None:
    leaf = yard.leaf("north")
    with refuses(OutOfRangeError, asked="weight", needed="at most 10 kg", came="12"):
        strap_load(leaf, mass_kg=12.0)
    with refuses(OutOfRangeError, asked="weight", needed="at most 10 kg", came="0"):
        strap_load(leaf, mass_kg=0.0)
    with refuses(OutOfRangeError, asked="height of the strap", needed="0 to 2.15 m", came="3"):
        strap_load(leaf, y_m=3.0)
    with refuses(OutOfRangeError, asked="rack", needed="above 0 mm", came="0.1, 0"):
        fit_f_k(leaf, strap_load(leaf), rack_mm=0.1, sd_mm=0.0)
    with refuses(OutOfRangeError, asked="share", needed="above 0 and up to 1", came="0"):
        turn_rise_mrad(leaf, "lock-hinge", left=0.0)
    with refuses(OutOfRangeError, asked="share", needed="above 0 and up to 1", came="1.1"):
        turn_rise_mrad(leaf, "lock-hinge", left=1.1)
    with refuses(OutOfRangeError, asked="rise of the turn at lock-hinge", needed="0 to 0.", came="3"):
        stiffness_left(leaf, "lock-hinge", rise_mrad=3.0)
    with refuses(OutOfRangeError, asked="turn of a joint", needed="lock-latch", came="'middle'"):
        turn_rise_mrad(leaf, "middle", left=1.0)
    stiff = Given(stiffness_n_m_per_rad=5e5)
    rails = tuple(replace(rail, joint_hinge=stiff, joint_latch=stiff) for rail in leaf.rails)
    with refuses(OutOfRangeError, asked="stiffness factor", needed="known by its dimensions", came="alone"):
        fit_f_k(replace(leaf, rails=rails), strap_load(leaf), rack_mm=0.1, sd_mm=0.005)
