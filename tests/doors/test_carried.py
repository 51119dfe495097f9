"""What a door carries, and when its joints are open: against the published cases of both demo doors."""

from dataclasses import replace

import pytest

from server.doors.built import BuiltDoor, Joint, Rail, from_json, to_json, turn_limit_mrad
from server.doors.carried import OF_THE_FILE, USUAL, Stiffness, load_of, weight_of, with_open_turns
from server.doors.example import example_text
from server.doors.file import read_door
from tests.joinery import yard

CASES = yard.cases("joinery") | yard.cases("frame")


def door(name: str = "north", **joint: object) -> BuiltDoor:
    """A demo door without the maker's own limits; `joint` changes every joint."""
    made = read_door(example_text(name), where="x.toml").built
    rails = tuple(_changed(rail, joint) for rail in made.rails)
    return replace(made, rails=rails, limits=replace(made.limits, turn_open_mrad={}))


def _changed(rail: Rail, joint: dict[str, object]) -> Rail:
    return replace(
        rail,
        joint_hinge=replace(rail.joint_hinge, **joint),  # type: ignore[arg-type]  # fields of Joint, by use
        joint_latch=replace(rail.joint_latch, **joint),  # type: ignore[arg-type]
    )


def test_the_weight_and_the_hinges_pull() -> None:
    # joinery's cases mass-demo and hinge-demo, checked there against the frame's own pins
    weight = weight_of(door())
    assert weight.mass_kg == pytest.approx(54.56299, abs=5e-6)
    assert (weight.x_mm, weight.y_mm) == pytest.approx((531.680, 1023.602), abs=5e-4)
    assert weight.hinge_pull_n == pytest.approx(172.419, abs=5e-4)


@pytest.mark.parametrize("name", ["north", "south"])
@pytest.mark.parametrize("joint", ["lock-hinge", "lock-latch"])
def test_each_joint_carries_what_is_published(name: str, joint: str) -> None:
    published = CASES["compare-per-moment"]["output"][f"{name}-{joint}"]
    mine = load_of(door(name)).joints[joint]
    assert mine.moment_n_m == pytest.approx(published["M"], rel=1e-5)
    assert mine.turn_mrad == pytest.approx(published["psi_mrad"], rel=1e-5)
    assert mine.index_pa == pytest.approx(1000 * published["index_kPa"], rel=1e-5)


@pytest.mark.parametrize(("name", "low", "high"), [("north", 63.2, 75.1), ("south", 53.0, 73.8)])
def test_what_is_carried_moves_with_the_factor(name: str, low: float, high: float) -> None:
    # the range that a declared trial seals its moments against
    most = load_of(door(name)).most
    assert most is not None
    assert most.joint == "lock-hinge"
    assert (most.low_n_m, most.high_n_m) == pytest.approx((low, high), abs=0.05)


def test_a_load_test_s_factor_narrows_the_range() -> None:
    tested = Stiffness(f_k=0.128, low=0.113, high=0.144, source="load test of 2 May 2026")
    mine, usual = load_of(door(), tested).joints["lock-hinge"], load_of(door()).joints["lock-hinge"]
    assert usual.low_n_m < mine.low_n_m < mine.moment_n_m < mine.high_n_m < usual.moment_n_m


@pytest.mark.parametrize(
    ("name", "joint", "mrad"),
    [("north", "lock-hinge", 0.166), ("south", "lock-hinge", 0.215), ("south", "lock-latch", 0.185)],
)
def test_a_joint_is_open_when_a_fifth_of_its_stiffness_is_left(name: str, joint: str, mrad: float) -> None:
    built, why = with_open_turns(door(name))
    assert why == ""
    assert turn_limit_mrad(built, joint) == pytest.approx(mrad, abs=5e-4)
    assert turn_limit_mrad(from_json(to_json(built)), joint) == turn_limit_mrad(built, joint)


def test_the_open_turn_is_never_under_what_a_pair_can_tell() -> None:
    built, _ = with_open_turns(door())
    assert built.limits.turn_reckoned_mrad["lock-latch"] == pytest.approx(0.136, abs=5e-4)
    assert turn_limit_mrad(built, "lock-latch") == pytest.approx(0.166)
    assert turn_limit_mrad(built, "top-hinge") == pytest.approx(0.166 * 170 / 90)  # its pair is 90 mm apart


def test_the_maker_s_number_stands_before_the_frame_s() -> None:
    given = replace(door("south"), limits=replace(door("south").limits, turn_open_mrad={"lock-hinge": 0.12}))
    assert turn_limit_mrad(with_open_turns(given)[0], "lock-hinge") == 0.12


def test_the_open_turn_does_not_follow_the_file_s_factor() -> None:
    soft, _ = with_open_turns(door(stiffness_factor=0.1))
    assert soft.limits.turn_reckoned_mrad == with_open_turns(door())[0].limits.turn_reckoned_mrad


def test_a_braced_leaf_has_a_weight_and_the_reason_for_the_rest() -> None:
    built = door()
    braced = replace(built, panels=(replace(built.panels[0], floats=False), built.panels[1]))
    load = load_of(braced)
    assert load.weight is not None
    assert (load.joints, load.most) == ({}, None)
    assert load.why_not == "it needs panels that float, and one that braces the leaf came"
    kept, why = with_open_turns(braced)
    assert (kept, why) == (braced, load.why_not)
    assert turn_limit_mrad(kept, "lock-hinge") == pytest.approx(0.166)


def test_a_leaf_that_cannot_be_weighed_says_why() -> None:
    load = load_of(replace(door(), panels=()))
    assert load.weight is None
    assert "a panel between each two" in load.why_not


def test_where_the_factor_is_from_is_said() -> None:
    assert load_of(door()).stiffness.source == USUAL
    told = load_of(door(stiffness_factor=0.1)).stiffness
    assert (told.f_k, told.source) == (0.1, OF_THE_FILE)


def test_joints_of_unlike_factors_keep_their_own() -> None:
    built = door()
    soft = replace(built.rails[1], joint_hinge=replace(built.rails[1].joint_hinge, stiffness_factor=0.1))
    mixed = load_of(replace(built, rails=(built.rails[0], soft, built.rails[2])))
    assert mixed.stiffness.f_k is None
    # the published sound door with that one joint at half its stiffness
    published = CASES["frame-north-one-joint-softens"]["output"]
    half = next(value for key, value in _leaves(published) if "lock-hinge" in key and "0.5" in key)
    rise = mixed.joints["lock-hinge"].turn_mrad
    sound = load_of(built).joints["lock-hinge"].turn_mrad
    assert rise is not None
    assert sound is not None
    assert rise - sound == pytest.approx(half["d_psi_mrad"], rel=1e-4)


def _leaves(tree: object, path: str = "") -> list[tuple[str, dict[str, float]]]:
    if not isinstance(tree, dict):
        return []
    mine = [(path, tree)] if "d_psi_mrad" in tree else []
    return mine + [leaf for key, value in tree.items() for leaf in _leaves(value, f"{path}/{key}")]


def test_a_door_of_given_joints_alone_is_reckoned() -> None:
    given = Joint(kind="given", stiffness_kn_m_per_rad=647.04)
    built = door()
    rails = tuple(replace(rail, joint_hinge=given, joint_latch=given) for rail in built.rails)
    mine = load_of(replace(built, rails=rails)).joints["lock-hinge"]
    assert mine.index_pa is None
    assert mine.low_n_m == mine.high_n_m
