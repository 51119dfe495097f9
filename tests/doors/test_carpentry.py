"""A door as built becomes the leaf that joinery reckons with: against the published leaf of the demo."""

from dataclasses import replace

import pytest

from server.doors.built import BuiltDoor, Joint, LooseTenon
from server.doors.carpentry import (
    factors_of,
    joint_of,
    leaf_of,
    modulus_pa,
    shape_of,
    species_key,
    stations_of,
    warnings_of,
    weighable_leaf,
)
from server.doors.carried import load_of
from server.doors.example import example_text
from server.doors.file import read_door
from server.doors.kits import kit_of
from server.errors import OutOfRangeError
from server.joinery.joints import Dowels, Given, group, stiffness_n_m_per_rad
from server.timber.refusals import UnknownSpeciesError
from tests.joinery import yard
from tests.refusals import refuses


def door(name: str = "north") -> BuiltDoor:
    return read_door(example_text(name), where="x.toml").built


@pytest.mark.parametrize("name", ["north", "south"])
def test_the_leaf_is_the_published_one(name: str) -> None:
    ours, published = leaf_of(door(name)), yard.leaf(name)
    for joint, theirs in published.joints.items():
        whole, wanted = group(ours.joints[joint]), group(theirs)
        assert (whole.area_m2, whole.x_m, whole.y_m) == pytest.approx(
            (wanted.area_m2, wanted.x_m, wanted.y_m)
        ), joint
        assert whole.polar_m4 == pytest.approx(wanted.polar_m4), joint
    assert [rail.y_m for rail in ours.rails] == pytest.approx([rail.y_m for rail in published.rails])
    assert [rail.depth_m for rail in ours.rails] == [rail.depth_m for rail in published.rails]
    for field in ("width_m", "height_m", "thickness_m", "stile_m", "density_kg_m3", "modulus_pa"):
        assert getattr(ours, field) == pytest.approx(getattr(published, field)), field
    assert ours.panels == published.panels
    assert ours.hinges == published.hinges
    assert [(one.mass_kg, one.x_m) for one in ours.extras] == [
        (one.mass_kg, one.x_m) for one in published.extras
    ]


def test_the_opening_and_the_gauges_are_the_published_ones() -> None:
    assert shape_of(door()) == yard.SHAPE
    ours = stations_of(door())
    assert {name: ours[name].at_mm for name in ours} == {name: yard.STATIONS[name].at_mm for name in ours}
    assert len(ours) == 7


def test_dowels_and_given_joints() -> None:
    row = tuple(LooseTenon(at_mm=y, width_mm=16, depth_mm=60, thickness_mm=16) for y in (-40, 40))
    assert joint_of(Joint(kind="dowels", loose=row)) == Dowels(
        y_m=(-0.04, 0.04), diameter_m=0.016, depth_m=0.06
    )
    given = joint_of(Joint(kind="given", stiffness_kn_m_per_rad=300))
    assert given == Given(stiffness_n_m_per_rad=300_000)
    assert stiffness_n_m_per_rad(given) == 300_000


def test_stiffness_is_the_door_s_own_before_the_timber_s() -> None:
    assert modulus_pa(door()) == 11.72e9
    walnut = replace(door(), modulus_gpa=None, species="Black walnut")
    assert species_key(walnut.species) == "black-walnut"
    assert modulus_pa(walnut) == pytest.approx(
        11.6e9, rel=0.005
    )  # Wood Handbook 2010, table 5-3a: 11 600 MPa


def test_an_unknown_timber_has_a_weight_and_no_stiffness() -> None:
    odd = replace(door(), modulus_gpa=None, species="bogwood")
    assert weighable_leaf(odd).density_kg_m3 == 674
    with refuses(UnknownSpeciesError, asked="species", needed="one that is known", came="'bogwood'"):
        leaf_of(odd)


def test_a_leaf_without_its_panels_is_refused() -> None:
    with refuses(OutOfRangeError, asked="leaf as built", needed="a panel between", came="1 panels"):
        leaf_of(replace(door(), panels=door().panels[:1]))


def test_warnings_are_of_tenons_panels_and_gaps() -> None:
    built = door()
    tight = replace(built, opening=replace(built.opening, gap_head_mm=1.0))
    braced = replace(tight, panels=(replace(built.panels[0], floats=False), built.panels[1]))
    said = warnings_of(braced)
    assert sum("common practice, no source" in one for one in said) == 6
    assert any(one.startswith("gap at the head: 1 mm") for one in said)
    assert any("does not float" in one for one in said)


def test_a_given_joint_has_no_factor() -> None:
    built = door()
    given = Joint(kind="given", stiffness_kn_m_per_rad=300)
    rails = (replace(built.rails[0], joint_hinge=given), *built.rails[1:])
    assert "bottom-hinge" not in factors_of(replace(built, rails=rails))
    assert factors_of(built) == dict.fromkeys(factors_of(built), 0.2)


def test_a_door_hung_on_the_other_hand_is_reckoned_as_its_mirror_image() -> None:
    """Places count from the hinge edge, so that nothing but the word is another (joinery, section 1)."""
    left, right = door(), replace(door(), hand="right")
    assert left.hand == "left"
    for one in (shape_of(left), stations_of(left), leaf_of(left), load_of(left), kit_of(left)):
        assert one in (shape_of(right), stations_of(right), leaf_of(right), load_of(right), kit_of(right))
