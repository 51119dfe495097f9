"""What moves over the years: the formulas by hand, blows, re-hanging, and the course between hours."""

import math
from dataclasses import replace

import pytest

from sensors.sources.simulated.doors import DOORS, Opening
from sensors.sources.simulated.movement import (
    Course,
    DoorState,
    Happenings,
    Rehang,
    Slam,
    door_state,
    swept_hours,
)
from sensors.sources.simulated.wood import Moisture

NORTH = DOORS["north"]
QUIET = Happenings()


def state(
    happenings: Happenings = QUIET, *, years: float = 2.0, moisture: float = 12.0, swept: float = 0.0
) -> DoorState:
    return door_state(NORTH, happenings, years=years, moisture_pct=moisture, swept_pct=swept)


def hour(mean_pct: float) -> Moisture:
    return Moisture(19.0, 50.0, mean_pct, mean_pct)


def test_nothing_has_moved_at_hanging() -> None:
    hung = state(years=0.0)
    assert hung.move.gamma_rad == hung.move.phi_rad == hung.move.u_mm == hung.droop_mm == 0.0
    assert hung.turns_mrad == (0.0,) * 4


def test_north_after_two_years_at_14_pct_by_hand() -> None:
    """Each term of the design's formulas with north's figures, worked on paper: 2**0.3 = 1.2311444."""
    opening = Opening(joint="lock-hinge", onset_day=365.25, rho_mrad=0.10)
    then = state(Happenings(openings=(opening,)), moisture=14.0, swept=30.0)
    rack_mrad = 0.24 * 0.020 * 2.0 + 0.055 * 1.2311444 + 0.0009 * 30.0 + 0.16 * 0.10
    assert then.move.gamma_rad * 1000.0 == pytest.approx(rack_mrad, abs=1e-7)
    assert then.turns_mrad[0] == pytest.approx(0.11 * 0.04 + 0.15 * 0.11 * 1.2311444 + 0.10, abs=1e-7)
    assert then.turns_mrad[3] == pytest.approx(0.19 * 0.04 + 0.15 * 0.19 * 1.2311444, abs=1e-7)
    assert then.opened_mrad == pytest.approx((0.10, 0.0, 0.0, 0.0))
    assert then.move.stile_strain == pytest.approx(0.0041)
    assert then.move.grain_strain == pytest.approx(0.00008)
    assert (then.move.lean_rad, then.move.head_rad) == pytest.approx((8e-6, 12e-6))
    assert math.sin(then.move.phi_rad) == pytest.approx(0.086 / 1650.0, rel=1e-12)
    assert (then.move.u_mm, then.move.v_mm) == pytest.approx((0.047, -0.020))


def test_what_stays_and_what_goes_back() -> None:
    then = state(moisture=14.0, swept=30.0)
    assert then.permanent_rack_mm == pytest.approx(0.81 * 0.055 * 1.2311444, abs=1e-7)
    assert then.ratchet_mm == pytest.approx(0.81 * 0.027, abs=1e-12)
    assert then.rack_mm - then.permanent_rack_mm - then.ratchet_mm == pytest.approx(0.81 * 0.24 * 0.04)
    assert then.droop_mm == pytest.approx(-then.move.v_mm + then.sag_mm + then.rack_mm)
    assert then.sag_mm == pytest.approx(1050.0 * 0.086 / 1650.0, rel=1e-6)


@pytest.mark.parametrize(("joint", "turned"), [("lock-latch", (0, 1, 0, 0)), (None, (1, 1, 1, 1))])
def test_a_slam_adds_its_sizes_from_its_day_on(joint: str | None, turned: tuple[int, ...]) -> None:
    slam = Slam(day=365.25, hinge_mm=0.33, rack_mrad=0.2, turn_mrad=0.1, joint=joint)
    before, after = (state(Happenings(slams=(slam,)), years=years) for years in (0.99, 1.0))
    sound = state(years=1.0)
    assert before == state(years=0.99)
    assert [a - b for a, b in zip(after.turns_mrad, sound.turns_mrad, strict=True)] == pytest.approx(
        [0.1 * yes for yes in turned]
    )
    assert after.rack_mm - sound.rack_mm == pytest.approx(0.81 * 0.2)
    assert after.permanent_rack_mm - sound.permanent_rack_mm == pytest.approx(0.81 * 0.2)
    assert after.sag_mm - sound.sag_mm == pytest.approx(1050.0 * 0.33 / 1650.0, rel=1e-6)
    assert after.move.u_mm - sound.move.u_mm == pytest.approx(0.165)


def test_rehanging_sets_the_hinges_back_and_leaves_the_joints() -> None:
    slam = Slam(day=100.0, hinge_mm=0.33, rack_mrad=0.2, turn_mrad=0.1)
    happenings = Happenings(slams=(slam,), rehangs=(Rehang(day=365.25, moved_mm=0.4),))
    hung = state(happenings, years=1.0)
    assert (hung.move.phi_rad, hung.move.v_mm, hung.move.u_mm) == pytest.approx((0.0, 0.0, 0.4))
    assert hung.rack_mm == state(Happenings(slams=(slam,)), years=1.0).rack_mm
    later = state(happenings, years=1.5)
    assert later.move.v_mm == pytest.approx(-0.005)


def test_sweep_counts_each_day_once_whichever_way() -> None:
    means = [12.0] + [12.5] * 24 + [12.2] * 24 + [12.9] * 23
    swept = [sweep for _, sweep in swept_hours(hour(mean) for mean in means)]
    assert swept[0] == 0.0
    assert (swept[23], swept[24], swept[48]) == pytest.approx((0.0, 0.5, 0.8))
    assert swept[71] == swept[48]


def test_course_is_straight_between_hours() -> None:
    course = Course(iter([(hour(float(k)), float(k)) for k in range(12, 20)]), start_ms=0)
    assert course.at(0) == (hour(12.0), 12.0)
    assert course.at(5_400_000) == (hour(13.5), 13.0)
    assert course.at(4 * 3_600_000) == (hour(16.0), 16.0)


def test_frame_leans_with_time_alone() -> None:
    leaning = door_state(
        replace(NORTH, lean_mrad_per_year=1.0), QUIET, years=3.0, moisture_pct=9.0, swept_pct=0.0
    )
    assert leaning.move.lean_rad == pytest.approx(0.003)
