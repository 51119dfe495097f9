"""The door's file: what cannot be built is refused, all at once and with its line; what is odd is said."""

import pytest

from server.doors.example import example_text
from server.errors import FileError
from tests.doors.door_files import changed, line_of, read

METERED = "moisture_at_glue_up_pct = 12.0\n"
REFUSED = [
    ("north", "stile_mm = 120", "stil_mm = 120", "door.stil_mm: no such key; did you mean stile_mm?"),
    ("north", "width_mm = 1050", "width_mm = 250", "door.width_mm: 250 came, a number from 300 to 2500"),
    ("north", "height_mm = 2150", "height_mm = 2100", "rail.axis_mm: 2090 came, a rail inside the leaf"),
    (
        "north",
        "width_mm = 1050\nheight_mm = 2150\nthickness_mm = 54\nstile_mm = 120",
        "width_mm = 700\nheight_mm = 2150\nthickness_mm = 54\nstile_mm = 400",
        "door.stile_mm: 400 came",
    ),
    ("north", 'name = "lock"', 'name = "bottom"', "rail.name: 'bottom' came twice"),
    ("north", "axis_mm = 950", "axis_mm = 300", "rail.axis_mm: 300 came, a rail clear of bottom is needed"),
    ("north", "bears = true ", "bears = false ", "hinge.bears: 0 hinges that bear came, exactly one"),
    ("north", "[[hinge]]\ny_mm = 1075", "[[hinge]]\nbears = true\ny_mm = 1075", "2 hinges that bear came"),
    ("north", "y_mm = 1900", "y_mm = 2200", "hinge.y_mm: 2200 came, a height on the leaf"),
    ("north", "y_mm = 1900", "y_mm = 1075", "hinge.y_mm: 1075 came twice"),
    (
        "north",
        "mass_kg = 1.8\nx_mm = 990",
        "mass_kg = 1.8\nx_mm = 1990",
        "extra.x_mm: 1990, 950 came, a point",
    ),
    (
        "north",
        "[[hinge]]",
        "[[panel]]\nthickness_mm = 18\ngroove_mm = 12\nfloats = true\n[[hinge]]",
        "too many",
    ),
    (
        "north",
        "thickness_mm = 18\ngroove",
        "thickness_mm = 60\ngroove",
        "panel.thickness_mm: 60 came, no more",
    ),
    (
        "north",
        'site = "saltmarsh-yard"',
        'site = "Saltmarsh Yard"',
        "door.site: 'Saltmarsh Yard' came, 1 to 24",
    ),
    ("north", 'shown = "North"', 'shown = "North<b>"', "without U+003C is needed"),
    ("north", "hung = 2026-03-02T12:00:00Z", "hung = 2026-03-02", "hung: '2026-03-02' came, a day and time"),
    ("north", "hung = 2026", "hung = 1026", "hung: 1026-03-02 came, a day after 1500"),
    ("north", METERED, METERED + "moisture_at_hanging_pct = 5.9\n", "moisture_at_hanging_pct: 5.9 came"),
    ("north", METERED, METERED + "moisture_at_hanging_pct = 25.1\n", "a number from 6 to 25 is needed"),
    ("north", METERED, METERED + "moisture_at_hanging_sd_pct = 1\n", "1 came alone, moisture_at_hanging_pct"),
    (
        "north",
        METERED,
        METERED + "moisture_at_hanging_pct = 12\nmoisture_at_hanging_sd_pct = 0\n",
        "door.moisture_at_hanging_sd_pct: 0 came, a number from 0.1 to 3 is needed",
    ),
    ("north", 'rated = "none"', 'rated = "safe"', "door.rated: 'safe' came, one of not_known"),
    (
        "north",
        "[limits]\n",
        "[limits]\nturn_open_mrad = { lock-hing = 0.166 }\n",
        "limits.turn_open_mrad.lock-hing: no such key; did you mean",
    ),
]


@pytest.mark.parametrize(("name", "before", "after", "said"), REFUSED)
def test_what_cannot_be_built_is_refused(name: str, before: str, after: str, said: str) -> None:
    with pytest.raises(FileError) as caught:
        read(changed(name, before, after))
    assert said in "\n".join(caught.value.complaints)


def test_every_complaint_comes_at_once_and_with_its_line() -> None:
    text = example_text("north").replace("density_kg_m3 = 674", "density_kg_m3 = 5000")
    text = text.replace("gap_sill_mm = 8", "gap_sil_mm = 8").replace("y_mm = 1900", 'y_mm = "high"')
    text = text.replace("axis_mm = 950", 'axis_mm = "mid"')
    with pytest.raises(FileError) as caught:
        read(text)
    lines = [
        line_of(text, part)
        for part in ("density", "[opening]", "gap_sil_mm", 'axis_mm = "mid"', 'y_mm = "high"')
    ]
    assert [said.split(": ")[0] for said in caught.value.complaints] == [
        f"north.toml:{line} {key}"
        for line, key in zip(
            lines,
            ["door.density_kg_m3", "opening.gap_sill_mm", "opening.gap_sil_mm", "rail.axis_mm", "hinge.y_mm"],
            strict=True,
        )
    ]


def test_a_wrong_number_draws_no_second_complaint() -> None:
    with pytest.raises(FileError) as caught:
        read(changed("north", "stile_mm = 120", 'stile_mm = "wide"'))
    assert caught.value.complaints == [
        "north.toml:13 door.stile_mm: 'wide' came, a number from 40 to 400 is needed"
    ]


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("gap_latch_mm = 3", "gap_latch_mm = 1.5", "opening.gap_latch_mm: 1.5 mm is a narrow gap"),
        ("floats = true", "floats = false", "panel.floats: a panel that does not float braces the leaf"),
    ],
)
def test_what_is_odd_is_said_and_taken(before: str, after: str, said: str) -> None:
    warned = [one for one in read(changed("north", before, after)).warnings if said in one]
    assert len(warned) == 1
    assert warned[0].endswith("(common practice, no source)")
    assert said not in "\n".join(read(example_text("north")).warnings)


def test_a_meter_s_reading_at_hanging_is_kept_with_its_doubt() -> None:
    """Source: joinery, section 7: 1 % where it was read by meter and nothing else is said."""
    plain = read(example_text("north")).built
    assert (plain.moisture_at_hanging_pct, plain.moisture_at_hanging_sd_pct) == (None, None)
    said = read(changed("north", METERED, METERED + "moisture_at_hanging_pct = 12.5\n")).built
    assert (said.moisture_at_hanging_pct, said.moisture_at_hanging_sd_pct) == (12.5, 1.0)
    more = METERED + "moisture_at_hanging_pct = 12.5\nmoisture_at_hanging_sd_pct = 0.6\n"
    assert read(changed("north", METERED, more)).built.moisture_at_hanging_sd_pct == 0.6


def test_a_meter_s_reading_out_of_range_is_refused_on_its_line() -> None:
    text = changed("north", METERED, METERED + "moisture_at_hanging_pct = 40\n")
    with pytest.raises(FileError) as caught:
        read(text)
    line = line_of(text, "moisture_at_hanging_pct")
    assert caught.value.complaints == [
        f"north.toml:{line} door.moisture_at_hanging_pct: 40 came, a number from 6 to 25 is needed"
    ]
