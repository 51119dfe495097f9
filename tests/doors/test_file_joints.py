"""Joints in the door's file: what does not fit the stile, the leaf or the rail is refused."""

import pytest

from server.doors.carpentry import warnings_of
from server.doors.example import example_text
from server.doors.file_joints import glue_warning
from server.errors import FileError
from tests.doors.door_files import changed, read

REFUSED = [
    (
        "north",
        "stile_mm = 120",
        "stile_mm = 85",
        "depth_mm: 90 came, no deeper than the stile is needed (85 mm)",
    ),
    ("north", "thickness_mm = 18\nadh", "thickness_mm = 32.5\nadh", "thickness_mm: 32.5 came, at most 0.6"),
    ("north", "width_mm = 160", "width_mm = 201", "width_mm: a face outside the rail came"),
    (
        "south",
        "loose_at_mm = [-76, -38, 0, 38, 76]",
        "loose_at_mm = [-76, -38, -9, 38, 76]",
        "overlapping places",
    ),
    (
        "south",
        "loose_at_mm = [-36, 0, 36]",
        "loose_at_mm = [-36, 0, 46]",
        "loose_at_mm: a face outside the rail",
    ),
    ("south", "loose_depth_mm = 38", "loose_depth_mm = 121", "loose_depth_mm: 121 came, no deeper than"),
    (
        "south",
        "loose_thickness_mm = 10",
        "loose_thickness_mm = 40",
        "loose_thickness_mm: 40 came, at most 0.6",
    ),
    ("north", 'kind = "mortise_tenon"', 'kind = "mortice_tenon"', "did you mean mortise_tenon?"),
]


@pytest.mark.parametrize(("name", "before", "after", "said"), REFUSED)
def test_what_cannot_be_built_is_refused(name: str, before: str, after: str, said: str) -> None:
    with pytest.raises(FileError) as caught:
        read(changed(name, before, after))
    assert said in "\n".join(caught.value.complaints)


def test_only_the_wide_single_tenons_draw_the_warning_of_the_trade() -> None:
    wide = [said for said in read(example_text("north")).warnings if "single tenon" in said]
    assert [width for said in wide for width in ("180", "160", "80") if f"tenon {width} mm" in said] == [
        "180", "180", "160", "160",
    ]  # fmt: skip
    assert all("common practice, no source" in said for said in wide)
    assert not [said for said in read(example_text("south")).warnings if "single tenon" in said]


@pytest.mark.parametrize(
    ("joint", "kind"),
    [
        (
            'kind = "dowels"\ndowel_at_mm = [-40, 0, 40]\ndowel_diameter_mm = 16\ndowel_depth_mm = 60\n',
            "dowels",
        ),
        ('kind = "given"\nstiffness_kn_m_per_rad = 81.5\n', "given"),
    ],
)
def test_other_joints_are_read(joint: str, kind: str) -> None:
    text = example_text("north")
    begin = text.index("[rail.joint_hinge]\n") + len("[rail.joint_hinge]\n")
    end = text.index("\n[rail.joint_latch]")
    read_joint = read(text[:begin] + joint + text[end:]).built.rails[0].joint_hinge
    assert read_joint.kind == kind
    assert [one.at_mm for one in read_joint.loose] == ([-40, 0, 40] if kind == "dowels" else [])
    assert read_joint.stiffness_kn_m_per_rad == (81.5 if kind == "given" else None)


@pytest.mark.parametrize(
    ("adhesive", "moisture_pct", "warned"),
    [
        ("PVAc D4", 20.5, True),
        ("white glue", 24.0, True),
        ("hide glue", 20.0, False),
        ("epoxy", 24.0, False),
        ("polyurethane", 24.0, False),
        ("PVA", None, False),
        ("", 24.0, False),
    ],
)
def test_a_water_based_glue_on_damp_wood_is_warned_of(
    adhesive: str, moisture_pct: float | None, warned: bool
) -> None:
    said = glue_warning(adhesive, moisture_pct)
    assert (said is not None) is warned
    if said is not None:
        assert adhesive in said
        assert said.endswith("(common practice, no source)")


def test_moisture_open_and_cure_times_are_kept_with_the_joint() -> None:
    glued = 'adhesive = "PVA"\nmoisture_pct = 22\nopen_min = 12\ncure_h = 24\nglue_date = "2026-02-01"\n'
    door = read(changed("north", 'adhesive = "epoxy"\n', glued))
    joint = door.built.rails[0].joint_hinge
    assert (joint.moisture_pct, joint.open_min, joint.cure_h) == (22.0, 12.0, 24.0)
    assert "22 % moisture" in next(said for said in door.warnings if "water-based" in said)
    assert "bottom-hinge: PVA, a water-based glue" in "\n".join(warnings_of(door.built))
    damp = read(changed("north", "moisture_at_glue_up_pct = 12.0", "moisture_at_glue_up_pct = 21"))
    assert not [said for said in damp.warnings if "water-based" in said]
