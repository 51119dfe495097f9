"""Gauges in the door's file: each on the leaf, shoulders in pairs, calibrations where they are said to be."""

import json
from pathlib import Path

import pytest

from server.doors.example import example_text
from server.errors import FileError
from tests.doors.door_files import changed, line_of, read

REFUSED = [
    ("north", "station_mm = [85]", "station_mm = [-85]", "0 above and 2 below the axis of lock-hinge came"),
    ("north", "station_mm = [85]", "station_mm = [101]", "gauge.station_mm: 101 came, a place on the rail"),
    (
        "north",
        "station_mm = [990]",
        "station_mm = [1051]",
        "1051 came, a place on the leaf is needed (0 to 1050",
    ),
    ("north", "[60, 2050, 990, 100]", "[60, 2151, 990, 100]", "2151 came, a place on the leaf"),
    ("north", "[60, 2050, 990, 100]", "[60, 2050]", "2 numbers came, 4 are needed for a gauge of kind diag"),
    (
        "north",
        'joint = "top-hinge"',
        'joint = "top-hing"',
        "gauge.joint: 'top-hing' came, one of bottom-hinge",
    ),
    ("north", 'channel = "air-rh"', 'channel = "air-temp"', "'air-temp' came twice, a channel of its own"),
    ("north", 'channel = "air-rh"', 'channel = "air rh"', "gauge.channel: 'air rh' came, up to 64"),
    ("north", 'kind = "air_rh"\nunit = "%RH"', 'kind = "air_temp"\nunit = "Cel"', "a second air_temp came"),
    ("north", 'kind = "air_rh"', 'kind = "humidity"', "gauge.kind: 'humidity' came, one of head"),
    (
        "north",
        'channel = "head-hinge"',
        'channel = "head-hinge"\nreplaces = "head-latch"',
        "gauge.replaces: 'head-latch' came, a gauge that this file has no more is needed",
    ),
    ("north", 'unit = "Cel"', 'unit = "V"', "gauge.unit: 'V' came, one of Cel is needed"),
    ("north", 'unit = "/"', 'unit = "mm"', "gauge.unit: 'mm' came, the unit it is kept in is needed: m"),
]


@pytest.mark.parametrize(("name", "before", "after", "said"), REFUSED)
def test_what_cannot_be_built_is_refused(name: str, before: str, after: str, said: str) -> None:
    with pytest.raises(FileError) as caught:
        read(changed(name, before, after))
    assert said in "\n".join(caught.value.complaints)


def test_a_door_of_one_gauge_is_read() -> None:
    text = example_text("north")
    alone = '[[gauge]]\nchannel = "corner"\nkind = "droop"\nunit = "m"\n'
    door = read(text[: text.index("[[gauge]]")] + alone)
    assert [gauge.kind for gauge in door.built.gauges] == ["droop"]
    assert not [said for said in door.warnings if "calibration" in said]


def records(folder: Path, *channels: str) -> None:
    text = json.dumps([{"channel": channel} for channel in channels])
    (folder / "calibration.json").write_text(text, "utf-8")


def test_a_calibration_beside_the_doors_file_is_found(tmp_path: Path) -> None:
    text = changed("north", "station_mm = [60]\n", 'station_mm = [60]\ncalibration = "calibration.json"\n')
    records(tmp_path, "saltmarsh-yard/north/head-hinge")
    door = read(text, str(tmp_path / "north.toml"))
    assert door.calibrations == {"head-hinge": tmp_path / "calibration.json"}
    assert "head-hinge," not in "\n".join(door.warnings)


@pytest.mark.parametrize(
    ("held", "said"),
    [
        (None, "a file beside the door's is needed"),
        ("other", "a file with a record for saltmarsh-yard/north/head-hinge is needed"),
    ],
)
def test_a_calibration_that_is_not_there_is_refused(tmp_path: Path, held: str | None, said: str) -> None:
    text = changed("north", "station_mm = [60]\n", 'station_mm = [60]\ncalibration = "calibration.json"\n')
    if held is not None:
        records(tmp_path, held)
    with pytest.raises(FileError) as caught:
        read(text, str(tmp_path / "north.toml"))
    line = line_of(text, "calibration =")
    assert caught.value.complaints == [
        f"{tmp_path}/north.toml:{line} gauge.calibration: 'calibration.json' came, {said}"
    ]


def test_a_calibration_that_is_no_json_is_refused(tmp_path: Path) -> None:
    (tmp_path / "calibration.json").write_text("{", "utf-8")
    text = changed("north", "station_mm = [60]\n", 'station_mm = [60]\ncalibration = "calibration.json"\n')
    with pytest.raises(FileError, match="calibration records in JSON is needed"):
        read(text, str(tmp_path / "north.toml"))


USE = """
[[gauge]]
channel = "openings"
kind = "openings"
unit = "count"

[[gauge]]
channel = "slam"
kind = "slam"
unit = "m/s2"
"""


def test_a_counter_and_a_meter_of_slams_are_read() -> None:
    gauges = read(example_text("north") + USE).built.gauges[-2:]
    assert [(gauge.kind, gauge.unit, gauge.station_mm) for gauge in gauges] == [
        ("openings", "count", ()),
        ("slam", "m/s2", ()),
    ]


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ('unit = "count"', 'unit = "/"', "one of count is needed"),
        ('unit = "m/s2"', 'unit = "m"', "one of m/s2 is needed"),
        (
            'channel = "slam"\nkind = "slam"\nunit = "m/s2"',
            'channel = "more"\nkind = "openings"\nunit = "count"',
            "a second openings came",
        ),
    ],
)
def test_a_counter_that_cannot_be_is_refused(before: str, after: str, said: str) -> None:
    with pytest.raises(FileError) as caught:
        read(example_text("north") + USE.replace(before, after))
    assert said in "\n".join(caught.value.complaints)


def test_the_example_s_counter_needs_its_marks_taken_off_alone() -> None:
    head, _, rest = example_text("north").partition("# A counter of openings")
    lines = rest.splitlines()[1:]
    told = "\n".join(line.removeprefix("# ").removeprefix("#") for line in lines)
    assert [gauge.kind for gauge in read(f"{head}\n{told}").built.gauges[-2:]] == ["openings", "slam"]


TILT = '\n[[gauge]]\nchannel = "tilt-stile"\nkind = "tilt"\nunit = "rad"\non = "stile"\n'


def test_a_tilt_is_read_in_rad() -> None:
    gauge = read(example_text("north") + TILT + "sd_mrad = 0.2\n").built.gauges[-1]
    assert (gauge.kind, gauge.on, gauge.station_mm) == ("tilt", "stile", ())
    assert (gauge.sd_mm, gauge.drift_mm_per_year) == (0.0002, 0.0005)


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ('on = "stile"', 'on = "floor"', "one of stile, rail, jamb, head is needed"),
        ('unit = "rad"', 'unit = "deg"', "one of rad is needed"),
        ('on = "stile"\n', 'on = "stile"\nstation_mm = [60]\n', "station_mm: no such key"),
    ],
)
def test_a_tilt_that_cannot_be_is_refused(before: str, after: str, said: str) -> None:
    with pytest.raises(FileError) as caught:
        read(example_text("north") + TILT.replace(before, after))
    assert said in "\n".join(caught.value.complaints)


def test_a_gauge_says_which_one_it_replaces() -> None:
    made = read(
        changed("north", 'channel = "head-hinge"', 'channel = "head-hinge-2"\nreplaces = "head-hinge"')
    )
    told = {one.channel: one.replaces for one in made.built.gauges}
    assert told.pop("head-hinge-2") == "head-hinge"
    assert set(told.values()) == {None}


def test_one_gauge_is_replaced_by_one() -> None:
    text = example_text("north")
    for name in ("head-hinge", "head-latch"):
        text = text.replace(f'channel = "{name}"', f'channel = "{name}-2"\nreplaces = "old"')
    with pytest.raises(FileError) as caught:
        read(text)
    assert "gauge.replaces: 'old' came twice, one new gauge for each is needed" in caught.value.complaints[0]
