"""Joints drawn to scale: sizes on the paper are sizes of the wood over the scale."""

import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest

from server.doors.joint_drawing import HIGH_MM, SCALES, WIDE_MM, drawing, scale_of
from server.doors.joint_file import EXAMPLE, JointFile, read_joint_file

STUB = """
shown = "stub and loose tenons"
rail_depth_mm = 200
thickness_mm = 54
stile_mm = 120
species = "sapele"
[joint]
kind = "stub_loose"
stub_width_mm = 160
stub_depth_mm = 20
stub_thickness_mm = 14
loose_at_mm = [-76, -38, 0, 38, 76]
loose_width_mm = 30
loose_depth_mm = 38
loose_thickness_mm = 10
"""
DOWELS = STUB[: STUB.index("[joint]")] + (
    '[joint]\nkind = "dowels"\ndowel_at_mm = [-60, 60]\ndowel_diameter_mm = 16\ndowel_depth_mm = 60\n'
)


def joint(text: str) -> JointFile:
    return read_joint_file(text, where="joint.toml")


def rects(one: JointFile, scale: float) -> tuple[ET.Element, list[dict[str, str]]]:
    root = ET.fromstring(drawing(one, scale))  # noqa: S314  (a picture of our own making)
    return root, [dict(rect.attrib) for rect in root]


def test_paper_is_wood_over_the_scale() -> None:
    root, _ = rects(joint(EXAMPLE), 5.0)
    wood = [float(one) for one in root.attrib["viewBox"].split()[2:]]
    paper = [float(root.attrib[key].removesuffix("mm")) for key in ("width", "height")]
    assert paper == pytest.approx([one / 5 for one in wood], abs=0.01)


def test_a_tenon_stands_in_the_stile_by_its_own_sizes() -> None:
    _, found = rects(joint(EXAMPLE), 5.0)
    hidden = [one for one in found if "stroke-dasharray" in one]
    assert len(found) == 5
    (tenon,) = hidden
    assert (tenon["x"], tenon["width"], tenon["height"]) == ("30", "90", "160")
    assert float(tenon["x"]) + float(tenon["width"]) == 120


def test_a_stub_and_five_loose_tenons_and_dowels_are_drawn() -> None:
    _, stub = rects(joint(STUB), 5.0)
    assert sum("stroke-dasharray" in one for one in stub) == 6
    loose = [one for one in stub if one.get("width") == "76"]
    assert [one["y"] for one in loose] == ["206", "168", "130", "92", "54"]
    _, dowels = rects(joint(DOWELS), 5.0)
    assert sum("rx" in one for one in dowels) == 2


def test_one_scale_for_both_and_both_fit() -> None:
    small, large = joint(EXAMPLE), replace(joint(EXAMPLE), rail_depth_mm=600.0)
    assert scale_of((small,)) < scale_of((small, large))
    scale = scale_of((small, large))
    for one in (small, large):
        root, _ = rects(one, scale)
        assert float(root.attrib["width"].removesuffix("mm")) <= WIDE_MM
        assert float(root.attrib["height"].removesuffix("mm")) <= HIGH_MM
    assert scale in SCALES
