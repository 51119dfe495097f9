"""Two doors as they stand tonight: what is put into their joints comes out by what each carries."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from server.doors.carried import Load, load_of
from server.inspection.comparing import Asked, SeenSoFar, asked_of_joints, seen_so_far
from server.inspection.look import watched_look
from server.inspection.paired import DoorSeries, door_series
from tests.inspection.doors import HUNG_DAY, Truth, made_inputs, one_joint
from tests.inspection.used import counted

FloatArray = NDArray[np.float64]
KEY = "turn:lock-hinge"
TURNS = {"north": 0.02, "south": 0.16}
SEEDS = {"north": 0, "south": 1}


def watched(name: str, years: float) -> DoorSeries:
    inputs = made_inputs(
        Truth(years=years, turn_mrad_per_year=TURNS[name], seed=SEEDS[name]), one_joint(name)
    )
    return door_series(inputs, watched_look(inputs, {}).watches)


@pytest.fixture(scope="module")
def doors(fits_once: None) -> tuple[DoorSeries, DoorSeries]:
    return watched("north", 3.2), watched("south", 3.2)


@pytest.fixture(scope="module")
def loads() -> tuple[Load, Load]:
    north, south = (load_of(one_joint(name).built) for name in TURNS)
    return north, south


@pytest.fixture(scope="module")
def joint(doors: tuple[DoorSeries, DoorSeries], loads: tuple[Load, Load]) -> SeenSoFar:
    asked = asked_of_joints(doors, loads)
    assert list(asked) == ["lock-hinge"]
    return seen_so_far(*doors, asked["lock-hinge"])


def test_a_joint_is_compared_per_100_n_m(joint: SeenSoFar, loads: tuple[Load, Load]) -> None:
    of_a, of_b = (load.joints["lock-hinge"].moment_n_m for load in loads)
    true = TURNS["south"] * 100 / of_b - TURNS["north"] * 100 / of_a
    assert joint.said.low is not None
    assert joint.said.high is not None
    assert joint.said.low <= true <= joint.said.high
    assert joint.said.low > 0


def test_the_bounds_for_every_night_are_wider_than_tonights(joint: SeenSoFar) -> None:
    assert joint.look is not None
    assert joint.said.low is not None
    assert joint.look.low < joint.said.low
    assert joint.look.factor == pytest.approx(2.241403 / (joint.years / 10) ** 0.625)


def ratio(doors: tuple[DoorSeries, DoorSeries], joint: SeenSoFar, a_day: FloatArray) -> float:
    """What the error grows by with openings beside the years, both doors being used alike."""
    use = (counted(a_day, first=HUNG_DAY, days=a_day.size),) * 2
    found = seen_so_far(*doors, joint.asked, shares=joint.said.shares, use=use)
    assert found.beside is not None
    assert (found.beside.difference is None) is (found.beside.ratio > 4)
    return found.beside.ratio


def test_openings_stand_in_the_sum_on_their_own_days(
    doors: tuple[DoorSeries, DoorSeries], joint: SeenSoFar
) -> None:
    """Use that changed halfway is parted better than even use, and not if it changed long after."""
    even, changed = np.full(1169, 30.0), np.where(np.arange(1169) < 580, 10.0, 90.0)
    later = np.concatenate([even, changed])
    assert ratio(doors, joint, even) > 1.3 * ratio(doors, joint, changed)
    assert ratio(doors, joint, later) == pytest.approx(ratio(doors, joint, even), rel=0.05)


def test_with_one_counter_there_is_nothing_beside(
    doors: tuple[DoorSeries, DoorSeries], joint: SeenSoFar
) -> None:
    use = (counted(30.0, first=HUNG_DAY), None)
    assert seen_so_far(*doors, joint.asked, shares=joint.said.shares, use=use).beside is None


def test_what_neither_has_is_refused(doors: tuple[DoorSeries, DoorSeries]) -> None:
    found = seen_so_far(*doors, Asked(keys=("droop", "droop")))
    assert (found.said.status, found.said.reason, found.look) == ("refused", "no_readings", None)


def test_before_a_year_there_is_nothing_to_compare(loads: tuple[Load, Load]) -> None:
    young = watched("north", 0.8), watched("south", 0.8)
    found = seen_so_far(*young, asked_of_joints(young, loads)["lock-hinge"])
    assert (found.said.reason, found.look) == ("first_year", None)


def test_a_load_that_cannot_be_reckoned_leaves_its_joints_out(
    doors: tuple[DoorSeries, DoorSeries], loads: tuple[Load, Load]
) -> None:
    assert asked_of_joints(doors, (replace(loads[0], joints={}), loads[1])) == {}
