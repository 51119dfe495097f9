"""A door as a value: its words, its limits, and the way into the register and back."""

from dataclasses import replace

import pytest

from server.doors.built import (
    BuiltDoor,
    droop_limit_mm,
    from_json,
    joint_words,
    joints_of,
    reference_height_mm,
    shoulder_pairs,
    spacing_mm,
    to_json,
    turn_limit_mrad,
)
from server.doors.example import example_text
from server.doors.file import read_door


def built(name: str = "north") -> BuiltDoor:
    return read_door(example_text(name), where=f"{name}.toml").built


@pytest.mark.parametrize(
    ("name", "words"),
    [("north", "one deep mortise and tenon"), ("south", "stub tenon and loose tenons, epoxy")],
)
def test_joints_are_told_in_words_of_the_trade(name: str, words: str) -> None:
    assert joint_words(built(name)) == words


def test_a_door_of_two_joints_names_both() -> None:
    mixed = replace(built("north"), rails=(built("north").rails[0], built("south").rails[1]))
    assert joint_words(mixed) == "one deep mortise and tenon and stub tenon and loose tenons, epoxy"


def test_a_shallow_tenon_is_not_called_deep() -> None:
    door = built()
    joint = replace(door.rails[0].joint_hinge, depth_mm=59)
    rails = tuple(replace(rail, joint_hinge=joint, joint_latch=joint) for rail in door.rails)
    assert joint_words(replace(door, rails=rails)) == "one short mortise and tenon"


def test_droop_is_bound_by_the_latch_gap() -> None:
    """By hand: 3 mm over the half height of 1075 mm turns a width of 1050 mm by 2.93 mm; 0.5 is kept free."""
    assert droop_limit_mm(built()) == pytest.approx(3 * 1050 / 1075 - 0.5, abs=1e-12)
    assert round(droop_limit_mm(built()), 2) == 2.43


def test_droop_is_bound_by_a_narrow_sill_gap() -> None:
    door = built()
    assert droop_limit_mm(replace(door, opening=replace(door.opening, gap_sill_mm=2.5))) == 2.0


def test_the_makers_own_droop_limit_stands() -> None:
    door = built()
    assert droop_limit_mm(replace(door, limits=replace(door.limits, droop_mm=1.2))) == 1.2


def test_reference_height_is_midway_between_the_outer_hinges() -> None:
    door = built()
    hinges = tuple(replace(hinge, y_mm=hinge.y_mm - 25 * (hinge.y_mm > 1800)) for hinge in door.hinges)
    assert reference_height_mm(replace(door, hinges=hinges)) == (250 + 1875) / 2


def test_the_limit_of_a_turn_follows_the_spacing() -> None:
    door = replace(built(), limits=replace(built().limits, turn_open_mrad={"lock-hinge": 0.2}))
    assert turn_limit_mrad(door, "lock-hinge") == 0.2
    assert turn_limit_mrad(door, "lock-latch") == pytest.approx(0.166)
    assert turn_limit_mrad(door, "top-hinge") == pytest.approx(0.166 * 170 / 90)
    assert turn_limit_mrad(door, "bottom-latch") == 0.166


def test_shoulder_pairs_come_top_first() -> None:
    pairs = shoulder_pairs(built())
    assert {joint: (one.channel, other.channel) for joint, (one, other) in pairs.items()} == {
        joint: (f"{joint}-top", f"{joint}-bottom") for joint in ("lock-hinge", "lock-latch", "top-hinge")
    }
    assert [spacing_mm(pair) for pair in pairs.values()] == [170, 170, 90]


def test_joints_are_named_by_rail_and_end() -> None:
    ends = ("hinge", "latch")
    assert list(joints_of(built())) == [f"{rail}-{end}" for rail in ("bottom", "lock", "top") for end in ends]


@pytest.mark.parametrize("name", ["north", "south"])
def test_a_door_comes_back_from_the_register_as_it_went_in(name: str) -> None:
    assert from_json(to_json(built(name))) == built(name)


def test_what_is_not_said_leaves_the_kept_text_as_it_was() -> None:
    """Doors that were kept before these could be said read the same, and their fingerprints stay."""
    plain = to_json(built())
    assert "moisture_at_hanging" not in plain
    assert "replaces" not in plain
    gauges = (replace(built().gauges[0], replaces="old"), *built().gauges[1:])
    said = replace(built(), gauges=gauges, moisture_at_hanging_pct=12.5, moisture_at_hanging_sd_pct=1.0)
    assert from_json(to_json(said)) == said
