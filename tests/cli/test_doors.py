"""Commands about doors: from a file into the register and out again."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from server.cli.main import main
from server.database import Session, open_engine
from server.doors.example import example_text
from server.doors.file import read_door
from server.doors.register import find_door
from server.readings.calibration import versions_of

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def url(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'state' / 'yard.db'}"


@pytest.fixture
def run(url: str, capsys: pytest.CaptureFixture[str]) -> Run:
    def run(*arguments: object) -> tuple[int, str, str]:
        code = main(["--database", url, *map(str, arguments)])
        told = capsys.readouterr()
        return code, told.out, told.err

    return run


@pytest.fixture
def north(tmp_path: Path) -> Path:
    path = tmp_path / "north.toml"
    path.write_text(example_text("north"), "utf-8")
    return path


def test_a_door_needs_its_node_first(run: Run, north: Path) -> None:
    code, out, err = run("door", "add", north)
    assert (code, out) == (1, "")
    assert "hangtrue node enrol saltmarsh-yard/north" in err


def test_a_door_is_added_listed_and_shown(run: Run, north: Path) -> None:
    run("node", "enrol", "saltmarsh-yard/north", "--zone", "Europe/London")
    code, out, err = run("door", "add", north)
    assert (code, out) == (0, "saltmarsh-yard/north added: 18 gauges, 0 calibrations\n")
    assert f"warning: {north}:" in err
    listed = run("door", "list")[1].splitlines()
    assert listed[1].split()[:4] == ["saltmarsh-yard/north", "North", "2026-03-02", "one"]
    shown = run("door", "show", "north")[1]
    assert "may droop 2.43 mm from the hung line" in shown
    assert "diag-fall          diag      /     60, 2050, 990, 100" in shown


def test_facts_come_as_json(run: Run, north: Path) -> None:
    assert json.loads(run("door", "list", "--json")[1]) == []
    run("node", "enrol", "saltmarsh-yard/north", "--zone", "Europe/London")
    run("door", "add", north)
    (listed,) = json.loads(run("door", "list", "--json")[1])
    shown = json.loads(run("door", "show", "saltmarsh-yard/north", "--json")[1])
    assert {key: shown[key] for key in listed} == listed
    assert (listed["zone"], listed["gauges"], listed["last_heard_ms"]) == ("Europe/London", 18, None)
    assert shown["droop_limit_mm"] == 2.43
    assert shown["built"]["rails"][1]["joint_hinge"]["width_mm"] == 160


def test_calibrations_beside_the_file_are_added(run: Run, north: Path, url: str) -> None:
    north.write_text(example_text("north", calibration="calibration.json"), "utf-8")
    gauges = [one for one in read_door(example_text("north"), where="x").built.gauges if one.station_mm]
    records = [
        {
            "channel": f"saltmarsh-yard/north/{gauge.channel}",
            "from_ms": 1772438400000,
            "kind": "linear",
            "coefficients": [-2.5, 5.0],
            "unit_out": "mm",
            "sigma_mm": 0.002,
            "note": "",
        }
        for gauge in gauges
    ]
    (north.parent / "calibration.json").write_text(json.dumps(records), "utf-8")
    run("node", "enrol", "saltmarsh-yard/north", "--zone", "Europe/London")
    assert run("door", "add", north)[1] == "saltmarsh-yard/north added: 18 gauges, 13 calibrations\n"
    engine = open_engine(url)
    with Session(engine) as session:
        channel = find_door(session, "north").channels["diag-rise"]
        versions = versions_of(session, channel.id, channel.unit)
    engine.dispose()
    assert [(one.from_ms, one.coefficients) for one in versions] == [(1772438400000, ((-2.5, 5.0),))]


def test_a_bad_calibration_leaves_nothing_behind(run: Run, north: Path) -> None:
    north.write_text(example_text("north", calibration="calibration.json"), "utf-8")
    door = read_door(example_text("north"), where="x").built
    records = [{"channel": gauge.channel, "kind": "cubic"} for gauge in door.gauges]
    (north.parent / "calibration.json").write_text(json.dumps(records), "utf-8")
    run("node", "enrol", "saltmarsh-yard/north", "--zone", "Europe/London")
    code, _, err = run("door", "add", north)
    assert (code, "kind: linear or table is needed" in err) == (2, True)
    assert json.loads(run("door", "list", "--json")[1]) == []


def test_check_says_what_is_odd_and_stores_nothing(run: Run, north: Path) -> None:
    code, out, err = run("door", "check", north)
    assert (code, out.splitlines()[0]) == (0, f"{north} can be used: saltmarsh-yard/north, 18 gauges")
    assert "It weighs 54.6 kg" in out
    assert "As hung it had 2.00 mm of room, least at the hinge edge" in out
    row = next(line.split() for line in out.splitlines() if line.startswith("lock-hinge"))
    assert row == ["lock-hinge", "71.7", "63.2", "to", "75.1", "0.111", "0.166"]
    assert err.count("common practice, no source") == 4
    assert json.loads(run("door", "list", "--json")[1]) == []


def test_check_says_every_complaint(run: Run, north: Path) -> None:
    north.write_text(
        example_text("north").replace("stile_mm", "stil_mm").replace("gap_head_mm = 3", ""), "utf-8"
    )
    code, out, err = run("door", "check", north)
    assert (code, out) == (2, "")
    assert [line.partition(" ")[2].partition(":")[0] for line in err.splitlines()[1:]] == [
        "door.stile_mm",
        "door.stil_mm",
        "opening.gap_head_mm",
    ]


def test_a_file_of_other_bytes_is_refused(run: Run, north: Path) -> None:
    north.write_bytes(b"\xff\xfe")
    assert run("door", "check", north)[0] == 2


def test_an_unknown_door_names_those_there_are(run: Run, north: Path) -> None:
    run("node", "enrol", "saltmarsh-yard/north", "--zone", "Europe/London")
    run("door", "add", north)
    code, _, err = run("door", "show", "nroth")
    assert (code, "(saltmarsh-yard/north)" in err) == (1, True)


def test_the_example_that_is_printed_can_be_read(run: Run) -> None:
    code, out, _ = run("door", "example", "south", "--hung", "2024-06-01", "--calibration", "c.json")
    assert code == 0
    assert out.count('calibration = "c.json"') == 13
    door = read_door(out.replace('calibration = "c.json"\n', ""), where="south.toml").built
    assert f"{door.hung:%Y-%m-%d}" == "2024-06-01"
    both = run("door", "example")[1]
    assert both.index('name = "north"') < both.index('name = "south"')
    assert run("door", "example", "east")[0] == 1


@pytest.fixture
def hung(run: Run, north: Path) -> Path:
    run("node", "enrol", "saltmarsh-yard/north", "--zone", "Europe/London")
    run("door", "add", north)
    return north


def test_a_change_is_a_version_and_the_door_before_it_can_be_read(run: Run, hung: Path) -> None:
    wider = example_text("north").replace("gap_latch_mm = 3", "gap_latch_mm = 4")
    hung.write_text(wider.replace("[60, 2050, 990, 100]", "[60, 2040, 990, 100]"), "utf-8")
    code, out, _ = run("door", "change", hung, "--because", "rehung", "--on", "2026-05-02")
    assert (code, out.splitlines()[0]) == (
        0,
        "saltmarsh-yard/north rehung on 2026-05-02: version 2, set anew: diag-fall",
    )
    shown = run("door", "show", "north")[1]
    assert "2026-03-02 hung; its line is not drawn yet" in shown
    assert "2026-05-02 rehung, set anew: diag-fall; its line is not drawn yet" in shown
    gaps = {}
    for day in ("2026-05-01", "2026-05-02"):
        told = json.loads(run("door", "show", "north", "--on", day, "--json")[1])
        gaps[day] = told["built"]["opening"]["gap_latch_mm"]
    assert gaps == {"2026-05-01": 3.0, "2026-05-02": 4.0}
    versions = json.loads(run("door", "show", "north", "--json")[1])["versions"]
    assert [one["because"] for one in versions] == ["hung", "rehung"]


def test_gauges_that_a_change_leaves_out_are_named(run: Run, hung: Path) -> None:
    head, *gauges = example_text("north").split("\n[[gauge]]\n")
    kept = [one for one in gauges if '"head-hinge"' not in one]
    assert len(kept) == len(gauges) - 1
    hung.write_text("\n[[gauge]]\n".join([head, *kept]), "utf-8")
    out = run("door", "change", hung, "--because", "rehung", "--on", "2026-05-02")[1]
    assert "No longer among its gauges: head-hinge. If they are still there, put them into the file" in out


def test_a_change_that_cannot_be_is_refused(run: Run, hung: Path) -> None:
    cases = [
        (("--because", "gauge-moved", "--on", "2026-05-02"), 2, "--gauge NAME"),
        (("--because", "rehung", "--on", "2126-05-02"), 1, "a day that has come"),
        (("--because", "sold", "--on", "2026-05-02"), 2, "'sold' is not one of"),
    ]
    for arguments, code, said in cases:
        found = run("door", "change", hung, *arguments)
        assert (found[0], said in found[2]) == (code, True), found
    named = run(
        "door", "change", hung, "--because", "gauge-moved", "--on", "2026-05-02", "--gauge", "diag-rise"
    )
    assert named[0] == 0
    assert "set anew: diag-rise" in named[1]


def test_a_day_of_hanging_still_to_come_is_refused(run: Run, north: Path) -> None:
    north.write_text(example_text("north").replace("hung = 2026-03-02", "hung = 2126-03-02"), "utf-8")
    code, out, err = run("door", "check", north)
    assert (code, out) == (1, "")
    assert "needs a day of hanging that has come, got 2126-03-02" in err


def test_a_replaced_gauge_is_asked_to_overlap(run: Run, hung: Path) -> None:
    text = example_text("north").replace('"sill-latch"', '"sill-new"\nreplaces = "sill-latch"')
    hung.write_text(text, "utf-8")
    code, out, _ = run("door", "change", hung, "--because", "gauge-moved", "--on", "2026-05-02")
    said = "sill-new replaces sill-latch: leave sill-latch in place for 7 days more, so that both read"
    assert (code, said in out) == (0, True)
    assert said in run("door", "show", "north")[1]
