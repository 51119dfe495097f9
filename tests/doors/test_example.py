"""The two invented doors: what is printed is what the published cases reckon with."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from server.doors.built import Joint, turn_limit_mrad
from server.doors.carried import with_open_turns
from server.doors.example import EXAMPLES, example_text
from server.doors.file import read_door
from server.errors import UnknownDoorError
from tests.refusals import refuses

PUBLISHED = json.loads((Path(__file__).parents[1] / "published/doors.json").read_text("utf-8"))["doors"]
KIT = [
    "air-temp", "air-rh", "lock-hinge-top", "lock-hinge-bottom", "lock-latch-top", "lock-latch-bottom",
    "top-hinge-top", "top-hinge-bottom", "head-hinge", "head-latch", "latch-bottom", "latch-top",
    "sill-latch", "diag-fall", "diag-rise", "shut", "ref", "battery",
]  # fmt: skip


def metres(joint: Joint) -> dict[str, object]:
    """A joint in the words and the metres of the published cases."""
    size = {"w": joint.width_mm, "l": joint.depth_mm, "t": joint.thickness_mm}
    told: dict[str, object] = {"kind": joint.kind} | {key: (mm or 0) / 1000 for key, mm in size.items()}
    if joint.loose:
        one = joint.loose[0]
        told |= {"lw": one.width_mm / 1000, "ll": one.depth_mm / 1000, "lt": one.thickness_mm / 1000}
        told |= {"loose_y": [tenon.at_mm / 1000 for tenon in joint.loose], "stub_glued": joint.stub_glued}
    return told


@pytest.mark.parametrize("name", list(EXAMPLES))
def test_joints_and_sizes_are_those_of_the_published_cases(name: str) -> None:
    built, case = read_door(example_text(name), where=f"{name}.toml").built, PUBLISHED[name]
    for rail, published in zip(built.rails, case["rails"], strict=True):
        assert (rail.name, rail.axis_mm, rail.depth_mm) == (
            published["name"],
            published["y"] * 1000,
            published["d"] * 1000,
        )
        assert metres(rail.joint_hinge) == metres(rail.joint_latch) == published["joint"]


def _sizes(case: dict[str, Any]) -> list[float]:
    return [
        case["b"] * 1000,
        case["h"] * 1000,
        case["t"] * 1000,
        case["ws"] * 1000,
        case["rho"],
        case["E"] / 1e9,
    ]


@pytest.mark.parametrize("name", list(EXAMPLES))
def test_leaf_gaps_hinges_and_extras_are_those_of_the_published_cases(name: str) -> None:
    built, case = read_door(example_text(name), where=f"{name}.toml").built, PUBLISHED[name]
    leaf = [built.width_mm, built.height_mm, built.thickness_mm, built.stile_mm, built.density_kg_m3]
    assert [*leaf, built.modulus_gpa] == pytest.approx(_sizes(case))
    opening = built.opening
    assert case["gaps_mm"] == {
        "hinge": opening.gap_hinge_mm,
        "head": opening.gap_head_mm,
        "latch": opening.gap_latch_mm,
        "sill": opening.gap_sill_mm,
    }
    assert [hinge.y_mm for hinge in built.hinges] == pytest.approx([y * 1000 for y in case["hinges_y"]])
    assert [hinge.y_mm for hinge in built.hinges if hinge.bears] == [case["bearing_hinge"] * 1000]
    extras = [(one.name, one.mass_kg, one.x_mm / 1000, one.y_mm / 1000) for one in built.extras]
    assert extras == [(one["n"], one["m"], one["x"], one["y"]) for one in case["extra"]]


def test_both_doors_have_the_whole_kit() -> None:
    for name in EXAMPLES:
        built = read_door(example_text(name), where=f"{name}.toml").built
        assert [gauge.channel for gauge in built.gauges] == KIT


def test_open_limits_of_the_lock_rail_differ_and_are_reckoned() -> None:
    doors = {name: read_door(example_text(name), where="x.toml").built for name in EXAMPLES}
    assert [door.limits.turn_open_mrad for door in doors.values()] == [{}, {}]
    turns = {
        name: round(turn_limit_mrad(with_open_turns(door)[0], "lock-hinge"), 3)
        for name, door in doors.items()
    }
    assert turns == {"north": 0.166, "south": 0.215}


def test_the_day_of_hanging_is_the_one_asked_for() -> None:
    hung = datetime(2023, 5, 4, 9, 30, tzinfo=UTC)
    assert read_door(example_text("south", hung=hung), where="south.toml").built.hung == hung


def test_another_name_is_refused() -> None:
    with refuses(UnknownDoorError, asked="example 'east'", needed="north, south", came="east"):
        example_text("east")
