"""The commands `piece`: what was broken goes in once and is told with its scatter."""

import json
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from server.cli.main import main
from server.doors.piece_file import EXAMPLE
from tests.joinery import yard

Run = Callable[..., tuple[int, str, str]]
WELCH = yard.cases("pieces")["welch-invented"]


@pytest.fixture
def run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    url = f"sqlite:///{tmp_path / 'yard.db'}"

    def run(*arguments: object) -> tuple[int, str, str]:
        code = main(["--database", url, *map(str, arguments)])
        told = capsys.readouterr()
        return code, told.out, told.err

    return run


def batch(folder: Path, name: str, loads: Sequence[float], failed: str = "wood") -> Path:
    """A file of pieces 300 mm from load to shoulder."""
    head = EXAMPLE.split("[[piece]]")[0].replace('"pot-3"', f'"{name}"')
    pieces = [
        f'[[piece]]\norder = {k}\nbroken = "2026-05-20"\narm_mm = 300\nload_n = {load}\nfailed = "{failed}"\n'
        for k, load in enumerate(loads, 1)
    ]
    path = folder / f"{name}.toml"
    path.write_text("\n".join([head, *pieces]), "utf-8")
    return path


def test_pieces_are_added_with_the_cautions_and_listed(run: Run, tmp_path: Path) -> None:
    assert run("piece", "list")[1] == "No piece is kept yet: hangtrue piece add FILE\n"
    code, out, err = run("piece", "add", batch(tmp_path, "pot-a", WELCH["input"]["load_a_n"]))
    assert (code, out) == (0, "6 pieces of pot-a added: 6 of it stand\n")
    assert "Eye protection" in err
    assert err.count("caution: ") == 3
    said = run("piece", "list", "pot-a")[1]
    assert "6 pieces: mean 726 N m, sd 47" in said
    assert "19 in 20 hold at least 551 N m, and we would say so wrongly once in 20" in said
    assert "In the glue: 0% (between 0% and 46%)." in said
    assert said.rstrip().endswith("wood and glue hold less for long than for a minute.")


def test_glue_failures_come_before_any_moment(run: Run, tmp_path: Path) -> None:
    run("piece", "add", batch(tmp_path, "pot-a", WELCH["input"]["load_a_n"], failed="glue"))
    lines = run("piece", "list")[1].splitlines()
    assert lines[1] == "  6 of 6 failed in the glue: that comes before any moment."


def test_two_kinds_are_compared(run: Run, tmp_path: Path) -> None:
    for name in ("a", "b"):
        run("piece", "add", batch(tmp_path, f"pot-{name}", WELCH["input"][f"load_{name}_n"]))
    code, out, _ = run("piece", "compare", "pot-a", "pot-b")
    assert code == 0
    assert "difference of means -145, between -202 and -88 N m" in out
    assert "ratio of typical pieces 0.80, between 0.73 and 0.87" in out
    assert "It speaks of these two glue-ups." in out
    told = json.loads(run("piece", "compare", "pot-a", "pot-b", "--json")[1])
    assert told["difference"]["value"] == pytest.approx(WELCH["output"]["difference"])
    code, _, err = run("piece", "compare", "pot-a", "pot-c")
    assert (code, "(pot-a, pot-b)" in err) == (1, True)


def test_a_mistake_is_struck_out_and_stays_to_be_seen(run: Run, tmp_path: Path) -> None:
    run("piece", "add", batch(tmp_path, "pot-a", [2000, 2100, 9000]))
    assert run("piece", "strike", 3, "a", "load", "in", "lb")[1] == "Piece 3 is struck out.\n"
    said = run("piece", "list")[1]
    assert "struck out: a load in lb" in said
    assert "2 pieces: mean 615 N m" in said
    assert "no limit is named: too few or too scattered to name one" in said
    (told,) = json.loads(run("piece", "list", "--json")[1])
    assert [one["struck"] for one in told["pieces"]] == [None, None, "a load in lb"]
    assert run("piece", "strike", 3, "again")[0] == 1


def test_the_example_can_be_added_and_what_cannot_is_refused(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "example.toml"
    path.write_text(run("piece", "example")[1], "utf-8")
    assert run("piece", "add", path)[1] == "2 pieces of pot-3 added: 2 of it stand\n"
    code, _, err = run("piece", "add", path)
    assert (code, "hangtrue piece strike" in err) == (1, True)
    path.write_bytes(b"\xff\xfe")
    assert run("piece", "add", path)[0] == 2
