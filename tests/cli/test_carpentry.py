"""The commands `kit` and `joint`."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from server.cli.main import main
from server.doors.example import example_text
from server.doors.joint_file import EXAMPLE

Run = Callable[..., tuple[int, str, str]]
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


@pytest.fixture
def run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    url = f"sqlite:///{tmp_path / 'state' / 'yard.db'}"

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


@pytest.fixture
def joints(tmp_path: Path) -> tuple[Path, Path]:
    """A deep tenon and loose tenons."""
    a, b = tmp_path / "a.toml", tmp_path / "b.toml"
    a.write_text(EXAMPLE, "utf-8")
    b.write_text(EXAMPLE.split("[joint]")[0].replace("one deep tenon", "loose tenons") + LOOSE, "utf-8")
    return a, b


def test_a_file_s_kit_is_told_without_a_database(run: Run, north: Path) -> None:
    code, out, _ = run("kit", north)
    assert code == 0
    assert out.startswith("saltmarsh-yard/north: head-hinge, head-latch")
    assert "in a rigid opening, 2 % from the moisture it was hung at" in out
    assert "Without gauges, so nothing is known of them: bottom-hinge, bottom-latch, top-latch." in out
    assert not (north.parent / "state").exists()


def test_a_hung_door_s_kit_is_told_and_an_unknown_door_is_refused(run: Run, north: Path) -> None:
    run("node", "enrol", "saltmarsh-yard/north", "--zone", "Europe/London")
    run("door", "add", north)
    assert run("kit", "north")[:2] == run("kit", north)[:2]
    code, _, err = run("kit", "nroth")
    assert (code, "saltmarsh-yard/north" in err) == (1, True)


def test_the_best_four_in_a_dropping_opening_are_the_minimum_kit(run: Run, north: Path) -> None:
    code, out, _ = run("kit", north, "--best", 4, "--opening", "head_drops", "--json")
    best = json.loads(out)["best"]
    assert code == 0
    assert set(best["gauges"]) == {"latch-bottom", "latch-top", "sill-hinge", "sill-latch"}
    assert best["told"] == {"sag": "usable", "rack": "usable", "droop": "usable"}
    said = run("kit", north, "--best", 4, "--opening", "head_drops")[1]
    assert "Best kit of 4: latch-bottom, latch-top, sill-hinge, sill-latch" in said


def test_the_next_gauge_is_ranked_and_a_lack_is_said(run: Run, north: Path) -> None:
    text = example_text("north").replace('kind = "rigid" ', 'kind = "leans" ')
    blocks = text.split("\n[[gauge]]\n")
    kept = [block for block in blocks[1:] if "diag" not in block and "sill" not in block]
    north.write_text("\n[[gauge]]\n".join([blocks[0], *kept]), "utf-8")
    code, out, _ = run("kit", north, "--next")
    assert code == 0
    assert "rack: a gauge both crossing" not in out
    assert "rack: both crossing diagonals would tell it" in out
    table = out[out.index("next gauge") :].splitlines()
    assert table[1].split() == ["diag-fall", "+", "diag-rise", "0.023"]


def test_too_many_gauges_are_refused_in_a_sentence(run: Run, north: Path) -> None:
    code, out, err = run("kit", north, "--best", 15)
    assert (code, out) == (1, "")
    assert err.startswith("hangtrue: kit of gauges: needs 1 to 11 gauges, ")
    assert err.endswith("got 15, owned none\n")


def test_two_joints_stand_side_by_side_without_a_winner(run: Run, joints: tuple[Path, Path]) -> None:
    code, out, err = run("joint", *joints)
    assert code == 0
    assert out.splitlines()[1].split()[:6] == ["glue", "faces,", "cm2", "288", "114", "0.396"]
    assert "Which lasts is not known from sizes. A trial of 3 pairs over 6 years could tell" in out
    assert "common practice, no source" in err
    assert "better" not in out


def test_two_joints_in_a_door_carry_what_is_published(
    run: Run, joints: tuple[Path, Path], north: Path
) -> None:
    code, out, _ = run("joint", *joints, "--in", north, "--json")
    rows = {row["name"]: row for row in json.loads(out)["rows"]}
    assert code == 0
    assert rows["moment at lock-hinge"]["a"] == pytest.approx(71.7341, rel=1e-5)  # joinery's north lock hinge
    assert [round(end, 1) for end in rows["moment at lock-hinge"]["range_a"]] == [63.2, 75.1]


def test_one_file_is_too_few_and_the_example_can_be_read(run: Run, joints: tuple[Path, Path]) -> None:
    code, _, err = run("joint", joints[0])
    assert (code, "hangtrue joint --example shows one" in err) == (2, True)
    assert run("joint", "--example")[1] == EXAMPLE
    assert 'kind = "mortise_tenon"' in run("joint", "--help")[1]


def test_a_file_of_other_bytes_is_refused(run: Run, joints: tuple[Path, Path]) -> None:
    joints[1].write_bytes(b"\xff\xfe")
    code, _, err = run("joint", *joints)
    assert (code, "UTF-8 text" in err) == (2, True)


def test_a_file_that_is_not_there_is_no_door_of_that_name(run: Run, tmp_path: Path) -> None:
    for command in (["kit"], ["door", "check"]):
        code, _, err = run(*command, tmp_path / "nroth.toml")
        assert (code, "needs a file that is there" in err) == (2, True)


def test_a_sheet_to_print_is_written_beside_the_table(
    run: Run, joints: tuple[Path, Path], tmp_path: Path
) -> None:
    path = tmp_path / "sheet.html"
    plain = run("joint", *joints)[1]
    code, out, _ = run("joint", *joints, "--sheet", path)
    assert (code, out) == (0, plain)
    said = path.read_text("utf-8")
    assert said.count("<svg") == 2
    assert "Which lasts is not known from sizes. A trial of 3 pairs" in said
    nowhere = run("joint", *joints, "--sheet", tmp_path / "none" / "sheet.html")
    assert (nowhere[0], "a folder that is there" in nowhere[2]) == (2, True)


def test_what_a_meter_would_change_is_said_by_kit_and_check(run: Run, north: Path) -> None:
    head, *gauges = example_text("north").split("\n[[gauge]]\n")
    kept = [one for one in gauges if 'kind = "head"' in one or 'kind = "latch"' in one]
    north.write_text("\n[[gauge]]\n".join([head, *kept]), "utf-8")
    for command in (("kit",), ("door", "check")):
        out = run(*command, north)[1]
        assert "Its moisture when it was hung was not read with a meter" in out, command
        assert "droop: on no day; with a reading good to 1 % within " in out, command
    glued = "moisture_at_glue_up_pct = 12.0\n"
    read = north.read_text("utf-8").replace(glued, f"{glued}moisture_at_hanging_pct = 12.5\n")
    north.write_text(read, "utf-8")
    out = run("kit", north)[1]
    assert "was read as 12.5 % (sd 1 %)" in out
    assert "; without it on no day" in out
    metered = json.loads(run("door", "check", north, "--json")[1])["meter"]
    assert metered["is_read"] is True
    assert metered["unread"]["droop"] is None
    assert json.loads(run("kit", north, "--json")[1])["metered"] == metered


def test_a_meter_that_changes_nothing_is_not_asked_for(run: Run, north: Path) -> None:
    assert "meter" not in run("kit", north)[1]
