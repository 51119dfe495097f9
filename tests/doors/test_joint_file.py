"""Two joints that are not built yet: against the published reckoning of the demo's lock rails."""

from dataclasses import replace

import pytest

from server.doors.built import BuiltDoor
from server.doors.carried import load_of
from server.doors.example import example_text
from server.doors.file import read_door
from server.doors.joint_file import EXAMPLE, JointFile, read_joint_file, side_by_side, side_by_side_in
from server.errors import FileError, OutOfRangeError
from server.timber.refusals import UnknownSpeciesError
from tests.joinery import yard
from tests.refusals import refuses

CASES = yard.cases("pieces") | yard.cases("frame")
HEAD = EXAMPLE.split("[joint]")[0].replace("# modulus_gpa", "modulus_gpa")
LOOSE = """[joint]
kind = "stub_loose"
stub_width_mm = 160
stub_depth_mm = 20
stub_thickness_mm = 14
loose_at_mm = [-76, -38, 0, 38, 76]
loose_width_mm = 30
loose_depth_mm = 38
loose_thickness_mm = 10
"""


def door(name: str) -> BuiltDoor:
    return read_door(example_text(name), where="x.toml").built


@pytest.fixture
def tenon() -> JointFile:
    return read_joint_file(HEAD + "[joint]" + EXAMPLE.split("[joint]")[1], where="a.toml")


@pytest.fixture
def loose() -> JointFile:
    return read_joint_file(HEAD.replace("one deep tenon", "loose tenons") + LOOSE, where="b.toml")


def test_the_rows_are_the_published_ones(tenon: JointFile, loose: JointFile) -> None:
    out = CASES["reckoner-lock"]["output"]
    rows = side_by_side(tenon, loose)
    assert [row.ratio for row in rows] == pytest.approx(out["ratio_b_over_a"], rel=1e-5)
    assert rows[0].a == pytest.approx(1e4 * out["a"]["A_m2"])
    assert rows[3].b == pytest.approx(out["b"]["index_1Nm_pa"])
    # the published gap is of C = 0.0020885, the mean of sapele's two in five digits; ours is not rounded
    assert rows[5].a == pytest.approx(out["a"]["gap_mm"], rel=2e-4)


def test_what_it_would_carry_in_a_door_is_the_published_moment(tenon: JointFile, loose: JointFile) -> None:
    rows = {row.name: row for row in side_by_side_in(tenon, loose, door("north"), place="lock-hinge")}
    published = CASES["compare-per-moment"]["output"]
    assert rows["moment at lock-hinge"].a == pytest.approx(published["north-lock-hinge"]["M"], rel=1e-5)
    south = {row.name: row for row in side_by_side_in(tenon, loose, door("south"), place="lock-hinge")}
    assert south["moment at lock-hinge"].b == pytest.approx(published["south-lock-hinge"]["M"], rel=1e-5)


def test_both_ends_of_the_rail_are_made_so(tenon: JointFile, loose: JointFile) -> None:
    north = door("north")
    rails = tuple(
        replace(rail, joint_hinge=loose.joint, joint_latch=loose.joint) if rail.name == "lock" else rail
        for rail in north.rails
    )
    carried = load_of(replace(north, rails=rails)).joints["lock-hinge"].moment_n_m
    rows = {row.name: row for row in side_by_side_in(tenon, loose, north, place="lock-hinge")}
    assert rows["moment at lock-hinge"].b == pytest.approx(carried)


def test_a_wide_tenon_warns(tenon: JointFile, loose: JointFile) -> None:
    assert "common practice, no source" in tenon.warnings[0]
    assert loose.warnings == ()


def test_unlike_leaves_and_factors_are_refused(tenon: JointFile, loose: JointFile) -> None:
    with refuses(OutOfRangeError, asked="side by side", needed="thickness_mm", came="54.0 and 45"):
        side_by_side(tenon, replace(loose, thickness_mm=45))
    tested = replace(loose, joint=replace(loose.joint, stiffness_factor=0.13))
    with refuses(OutOfRangeError, asked="stiffness factors", needed="a source in words", came="0.2 and 0.13"):
        side_by_side(tenon, tested)
    sourced = replace(tested, factor_source="load test of south"), replace(tenon, factor_source="usual")
    assert side_by_side(sourced[1], sourced[0])[2].b == pytest.approx(281.2 * 0.13 / 0.2, rel=1e-4)


def test_a_place_or_a_rail_that_is_not_the_door_s_is_refused(tenon: JointFile, loose: JointFile) -> None:
    with refuses(OutOfRangeError, asked="joint of a door", needed="lock-hinge", came="'mid-hinge'"):
        side_by_side_in(tenon, loose, door("north"), place="mid-hinge")
    with refuses(
        OutOfRangeError, asked="in north", needed="rail_depth_mm of its top rail, 120", came="200 mm"
    ):
        side_by_side_in(tenon, loose, door("north"), place="top-hinge")


def test_the_timber_gives_the_stiffness_where_none_is_given(tenon: JointFile, loose: JointFile) -> None:
    plain = [replace(one, modulus_gpa=None) for one in (tenon, loose)]
    assert side_by_side(*plain)[4].a == pytest.approx(0.9945, abs=1e-3)
    odd = [replace(one, modulus_gpa=None, species="bogwood") for one in (tenon, loose)]
    with refuses(UnknownSpeciesError, asked="species", needed="one that is known", came="bogwood"):
        side_by_side(*odd)


def test_every_complaint_comes_at_once() -> None:
    text = EXAMPLE.replace("stile_mm", "stil_mm").replace("depth_mm = 90", "depth_mm = 900", 1)
    with pytest.raises(FileError) as caught:
        read_joint_file(text, where="a.toml")
    assert "a.toml:" in str(caught.value)
    assert {one.split()[1].rstrip(":") for one in caught.value.complaints} >= {"stile_mm", "stil_mm"}
