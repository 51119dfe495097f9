"""The command `compare`: two doors, each joint by what it carries."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy.orm import Session

from server.cli.main import main
from server.database import open_engine
from server.inspection.use_said import EVENLY
from tests.dashboards import pair
from tests.fakes.databases import Made
from tests.inspection.doors import Truth, one_joint
from tests.inspection.stored import stored_door
from tests.inspection.test_declared_for import of_two

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(tmp_path: Path, made: Made, capsys: pytest.CaptureFixture[str]) -> Run:
    url = f"sqlite:///{tmp_path / 'yard.db'}"
    made.copy_file(tmp_path / "yard.db")

    def run(*arguments: object) -> tuple[int, str, str]:
        code = main(["--database", url, *map(str, arguments)])
        told = capsys.readouterr()
        return code, told.out, told.err

    return run


@pytest.fixture(scope="module")
def watched(of_run: Path, made: Made) -> Path:
    """Both doors, each with the watches of a look."""
    return pair.file_of(of_run, made)


def hung(path: Path) -> None:
    engine = open_engine(f"sqlite:///{path}")
    with Session(engine) as session:
        for name in pair.TURNS:
            stored_door(session, Truth(years=pair.YEARS), one_joint(name))
        session.commit()
    engine.dispose()


def test_a_joint_that_turns_more_is_named(run: Run, watched: Path, tmp_path: Path) -> None:
    shutil.copyfile(watched, tmp_path / "yard.db")
    code, out, _ = run("compare", "north", "south")
    assert code == 0
    assert "South’s joint turns more." in out
    assert "lock-hinge: North carries" in out
    assert "droop of the leaf:\n  Not to be compared: one of them was not heard yet." in out
    assert "Nobody declared this beforehand" in out
    told = json.loads(run("compare", "north", "south", "--json")[1])
    assert told["joints"]["lock-hinge"]["said"]["low"] > 0


def test_use_is_said_beside_it(run: Run, watched: Path, tmp_path: Path) -> None:
    shutil.copyfile(watched, tmp_path / "yard.db")
    often = "South is opened 0.7 times as often. Counted by openings it turns more all the same"
    assert f"  {often}" in run("compare", "north", "south")[1]
    told = json.loads(run("compare", "north", "south", "--json")[1])
    assert told["openings_a_year"] == pytest.approx([42 * 365.25, 30 * 365.25], rel=1e-3)
    assert told["use"]["lock-hinge"].startswith(often)
    assert EVENLY in told["use"]["lock-hinge"]
    assert told["joints"]["lock-hinge"]["beside"]["ratio"] > 4
    assert told["use"]["droop"] == "North is opened 1.4 times as often."


def test_a_joint_of_a_sealed_trial_says_the_trials_word_first(
    run: Run, watched: Path, tmp_path: Path
) -> None:
    shutil.copyfile(watched, tmp_path / "yard.db")
    engine = open_engine(f"sqlite:///{tmp_path / 'yard.db'}")
    with Session(engine) as session, session.begin():
        seal = of_two(session)
    engine.dispose()
    out = run("compare", "north", "south")[1]
    first = out.index(f"Declared beforehand, trial {seal[:4]} {seal[4:8]}:")
    assert out.index("No night was looked at yet") > first
    assert out.index("South’s joint turns more.") > first
    assert "Nobody declared the others beforehand." in out
    assert list(json.loads(run("compare", "north", "south", "--json")[1])["trials"]) == ["lock-hinge"]


def test_before_a_watch_it_says_why_not(run: Run, tmp_path: Path) -> None:
    hung(tmp_path / "yard.db")
    out = run("compare", "north", "south")[1]
    assert "Not to be compared: the two have not been heard together for a year." in out


def test_one_door_is_no_comparison(run: Run, tmp_path: Path) -> None:
    hung(tmp_path / "yard.db")
    code, _, err = run("compare", "north", "saltmarsh-yard/north")
    assert code in (1, 2)
    assert "needs two doors" in err


def test_an_unknown_door_is_named(run: Run) -> None:
    code, _, err = run("compare", "north", "west")
    assert code in (1, 2)
    assert "north" in err
