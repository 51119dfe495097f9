"""Two joints side by side against tests/published/pieces.json and frame.json."""

from dataclasses import replace

import pytest

from server.errors import OutOfRangeError
from server.joinery.joints import Dowels, Given
from server.joinery.reckoner import LAST_LINE, InDoors, Row, Season, Side, reckon
from tests.joinery import yard
from tests.refusals import refuses

CASE = yard.cases("pieces")["reckoner-lock"]
SEASON = Season(d_mc_pct=-4.0, c_per_pct=0.0020885)
NORTH, SOUTH = yard.leaf("north"), yard.leaf("south")


def side(door: str) -> Side:
    return Side(shown=door, joint=yard.leaf(door).joints["lock-hinge"], rail_depth_m=0.2)


def sheet(a: Side, b: Side, doors: InDoors | None = None) -> dict[str, Row]:
    return {row.name: row for row in reckon(a, b, NORTH, season=SEASON, doors=doors)}


def test_lock_rails_of_the_yard() -> None:
    rows = list(sheet(side("north"), side("south")).values())
    for name, scale in (("a", (1e4, 1, 1e-3, 1, 1, 1)), ("b", (1e4, 1, 1e-3, 1, 1, 1))):
        wanted = [number * times for number, times in zip(CASE["output"][name].values(), scale, strict=True)]
        assert [getattr(row, name) for row in rows] == pytest.approx(wanted, rel=1e-9)
    assert [row.ratio for row in rows] == pytest.approx(CASE["output"]["ratio_b_over_a"], rel=1e-9)


def test_every_line_says_what_it_says_and_none_says_better() -> None:
    rows = sheet(side("north"), side("south")).values()
    assert all(row.says for row in rows)
    words = " ".join([row.says + row.does_not_say for row in rows]) + LAST_LINE
    assert "better" not in words
    assert "not known from sizes" in LAST_LINE


def test_in_their_doors() -> None:
    """Moments, turns and indices of the frame, at the same stiffness factor."""
    rows = sheet(side("north"), side("south"), InDoors(leaf_a=NORTH, leaf_b=SOUTH, place="lock-hinge"))
    published = yard.cases("frame")
    for key, name in (("M", "moment"), ("psi_mrad", "turn"), ("index_kPa", "glue-line index")):
        joints = [published[f"frame-{door}-self"]["output"]["joints"] for door in ("north", "south")]
        row = rows[f"{name} at lock-hinge"]
        assert [row.a, row.b] == pytest.approx([one["lock-hinge"][key] for one in joints], rel=1e-8)


def test_range_over_the_stiffness_factor() -> None:
    """The moment moves with it: north 63.2 to 75.1 N m, south 53.0 to 73.8."""
    rows = sheet(side("north"), side("south"), InDoors(leaf_a=NORTH, leaf_b=SOUTH, place="lock-hinge"))
    moment = rows["moment at lock-hinge"]
    assert moment.range_a == pytest.approx((63.2, 75.1), abs=0.05)
    assert moment.range_b == pytest.approx((53.0, 73.8), abs=0.05)


def test_given_stiffness_leaves_the_sizes_blank() -> None:
    given = replace(side("south"), joint=Given(stiffness_n_m_per_rad=5e5))
    rows = sheet(side("north"), given)
    assert rows["stiffness k"].b == 500.0
    assert [name for name, row in rows.items() if row.b is None] == [
        name for name in rows if name != "stiffness k"
    ]
    assert rows["glue faces"].ratio is None


def test_dowels_have_no_hold_across_the_grain() -> None:
    dowels = Dowels(y_m=(-0.06, -0.02, 0.02, 0.06), diameter_m=0.012, depth_m=0.05)
    rows = sheet(side("north"), replace(side("south"), joint=dowels))
    assert [name for name, row in rows.items() if row.b is None] == ["hold across the grain"]


def test_unlike_factors_need_their_sources() -> None:
    unlike = replace(side("south"), f_k=0.15)
    with refuses(OutOfRangeError, asked="stiffness factors", needed="a source in words", came="0.2 and 0.15"):
        sheet(side("north"), unlike)
    a, b = (replace(one, f_k_source="load test of 3 May 2026") for one in (side("north"), unlike))
    assert sheet(a, b)["stiffness k"].ratio == pytest.approx(0.75 * 35.15 / 80.88, rel=1e-9)


def test_refuses_a_joint_that_is_not_there() -> None:
    with refuses(OutOfRangeError, asked="joint of a door", needed="lock-hinge", came="'lock'"):
        sheet(side("north"), side("south"), InDoors(leaf_a=NORTH, leaf_b=SOUTH, place="lock"))
