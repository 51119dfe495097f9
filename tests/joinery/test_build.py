"""What can be built, and what is warned of."""

from dataclasses import replace
from typing import Any

import pytest

from server.errors import OutOfRangeError
from server.joinery.build import E90_OVER_E, G_OVER_E, Hinge, check_leaf
from tests.joinery import yard
from tests.refusals import refuses

NORTH = yard.leaf("north")
BOTTOM, LOCK, TOP = NORTH.rails
LOCKSET = NORTH.extras[0]


def test_the_yard_s_doors_can_be_built() -> None:
    """North's two wide tenons are warned of at both ends; south's loose ones are not."""
    gaps = {"hinge": 2.0, "head": 3.0, "latch": 3.0, "sill": 8.0}
    assert len(check_leaf(NORTH, gaps_mm=gaps)) == 4
    assert check_leaf(yard.leaf("south"), gaps_mm=gaps) == ()


def test_warns_of_a_tight_gap_and_a_glued_panel() -> None:
    south = yard.leaf("south")
    glued = replace(south, panels=(replace(south.panels[0], floats=False), south.panels[1]))
    assert check_leaf(glued, gaps_mm={"hinge": 1.5, "sill": 8.0}) == (
        "panel 1 does not float: it braces the leaf, so no moments are reckoned; it is usually left loose in "
        "its grooves (common practice, no source)",
        "gap at the hinge: 1.5 mm, under 2 mm a season may close it (common practice, no source)",
    )


def test_wood_s_other_stiffnesses_unless_given() -> None:
    """The ratios that the published cases reckon with."""
    assert {(door["G_over_E"], door["E90_over_E"]) for door in yard.DOORS.values()} == {
        (G_OVER_E, E90_OVER_E)
    }


def test_names_of_the_joints() -> None:
    assert set(NORTH.joints) == {
        f"{rail}-{end}" for rail in ("bottom", "lock", "top") for end in ("hinge", "latch")
    }
    assert NORTH.rail_m == pytest.approx(0.81)
    assert NORTH.outer_hinges_m == (0.25, 1.9)
    assert NORTH.bearing_hinge_m == 0.25


@pytest.mark.parametrize(
    ("change", "asked", "needed", "came"),
    [
        ({"width_m": -1.0}, "leaf as built", "above 0", "-1.0"),
        ({"modulus_pa": 0.0}, "leaf as built", "above 0", "0.0"),
        ({"stile_m": 0.6}, "stile of a leaf", "half its 1050 mm", "600 mm"),
        ({"rails": (BOTTOM, replace(LOCK, y_m=0.3), TOP)}, "lock rail", "above 240 mm", "200 to 400 mm"),
        ({"rails": (BOTTOM, LOCK, replace(TOP, y_m=2.1))}, "top rail", "within 2150 mm", "2040 to 2160 mm"),
        ({"rails": (BOTTOM, TOP)}, "leaf as built", "a panel between each two", "2 rails and 2 panels"),
        ({"extras": (replace(LOCKSET, x_m=1.1),)}, "lock set", "a place on it", "1.8 kg at 1100, 950 mm"),
        ({"extras": (replace(LOCKSET, mass_kg=-1.0),)}, "lock set", "a mass", "-1 kg"),
        ({"hinges": (Hinge(y_m=0.25, bears=True),)}, "hinges", "two or more", "1, 1 bearing"),
        ({"hinges": (Hinge(y_m=0.25), Hinge(y_m=1.9))}, "hinges", "one of them bearing", "2, 0 bearing"),
        ({"hinges": (Hinge(y_m=0.25), Hinge(y_m=2.9, bears=True))}, "hinges", "within", "250 to 2900 mm"),
    ],
)
def test_refuses_a_leaf_that_cannot_be(change: dict[str, Any], asked: str, needed: str, came: str) -> None:
    with refuses(OutOfRangeError, asked=asked, needed=needed, came=came):
        check_leaf(replace(NORTH, **change))


def test_refuses_a_joint_that_cannot_be() -> None:
    with refuses(OutOfRangeError, asked="tenon in its rail", needed="within 120 mm", came="180 mm wide"):
        check_leaf(replace(NORTH, rails=(BOTTOM, LOCK, replace(TOP, joint_latch=BOTTOM.joint_latch))))
