"""`door check` of a door that is hung: what it weighs and carries, its room, what is odd."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from server.cli.main import main
from server.doors.example import example_text

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    url = f"sqlite:///{tmp_path / 'yard.db'}"

    def run(*arguments: object) -> tuple[int, str, str]:
        code = main(["--database", url, *map(str, arguments)])
        told = capsys.readouterr()
        return code, told.out, told.err

    return run


def added(run: Run, folder: Path, text: str) -> str:
    """What `door add` says on its way."""
    path = folder / "door.toml"
    path.write_text(text, "utf-8")
    run("node", "enrol", "saltmarsh-yard/north", "--zone", "Europe/London")
    return run("door", "add", path)[2]


def test_what_it_carries_is_said(run: Run, tmp_path: Path) -> None:
    assert "not reckoned" not in added(run, tmp_path, example_text("north"))
    code, out, _ = run("door", "check", "north")
    assert code == 0
    assert "It weighs 54.6 kg; the top hinge is pulled by 172 N" in out
    row = next(line.split() for line in out.splitlines() if line.startswith("lock-hinge"))
    assert row == ["lock-hinge", "71.7", "63.2", "to", "75.1", "0.111", "0.166"]
    assert "May droop 2.43 mm from the hung line." in out
    assert "As hung it had 2.00 mm of room, least at the hinge edge" in out
    assert "What room it has now is not known" in out
    assert out.count("common practice, no source") == 4


def test_the_facts_come_as_json(run: Run, tmp_path: Path) -> None:
    added(run, tmp_path, example_text("north"))
    told = json.loads(run("door", "check", "north", "--json")[1])
    assert told["weight"]["mass_kg"] == pytest.approx(54.56299, abs=1e-5)
    assert {one["joint"]: round(one["open_mrad"], 3) for one in told["joints"]}["top-latch"] == 0.201
    assert (told["why_not"], told["margin_now"], len(told["warnings"])) == ("", None, 4)
    of_file = json.loads(run("door", "check", tmp_path / "door.toml", "--json")[1])
    assert of_file["weight"] == told["weight"]
    assert of_file["gauges"] == 18


def test_a_braced_door_is_added_with_a_warning_and_says_why(run: Run, tmp_path: Path) -> None:
    text = example_text("north").replace("floats = true", "floats = false", 1)
    said = added(run, tmp_path, text)
    assert "warning: what its joints carry is not reckoned: it needs panels that float" in said
    out = run("door", "check", "north")[1]
    assert "What its joints carry is not reckoned: it needs panels that float" in out
    assert "It weighs 54.6 kg" in out


def test_an_unknown_door_is_refused(run: Run, tmp_path: Path) -> None:
    added(run, tmp_path, example_text("north"))
    code, _, err = run("door", "check", "nroth")
    assert (code, "(saltmarsh-yard/north)" in err) == (1, True)
