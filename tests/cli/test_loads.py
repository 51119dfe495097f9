"""The commands `load`: whether a door may be loaded, what it tells, what is kept."""

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from server import schema
from server.alerts import ledger
from server.cli.main import main
from server.database import Session, open_engine, session_of
from server.doors.example import example_text
from server.doors.load_file import EXAMPLE
from server.doors.piece_file import EXAMPLE as PIECES
from server.doors.register import find_door
from server.inspection.room import room_of
from server.inspection.values import Finding, Inspection
from tests.inspection.doors import Truth
from tests.inspection.stored import stored_door

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def url(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'yard.db'}"


@pytest.fixture
def run(url: str, capsys: pytest.CaptureFixture[str]) -> Run:
    def run(*arguments: object) -> tuple[int, str, str]:
        code = main(["--database", url, *map(str, arguments)])
        told = capsys.readouterr()
        return code, told.out, told.err

    return run


def hang(run: Run, folder: Path, text: str = "") -> None:
    path = folder / "north.toml"
    path.write_text(text or example_text("north"), "utf-8")
    run("node", "enrol", "saltmarsh-yard/north", "--zone", "Europe/London")
    assert run("door", "add", path)[0] == 0


def file(folder: Path, text: str = EXAMPLE) -> Path:
    path = folder / "load.toml"
    path.write_text(text, "utf-8")
    return path


def test_a_door_that_may_be_loaded_says_how_with_the_cautions(run: Run, tmp_path: Path) -> None:
    hang(run, tmp_path)
    code, out, err = run("load", "test", "north")
    assert code == 0
    assert out.startswith("saltmarsh-yard/north may be loaded: no alert stands")
    assert "how much room it has is not known" in out
    assert err.count("caution: ") == 5
    assert "not a safety device" in err
    assert json.loads(run("load", "test", "north", "--json")[1])["margin_mm"] is None
    assert "clamped" in run("load", "test", "north", "--bench")[1]


def test_a_test_is_fitted_kept_and_listed(run: Run, tmp_path: Path) -> None:
    hang(run, tmp_path)
    assert run("load", "list", "north")[1].startswith("No load test of saltmarsh-yard/north is kept yet")
    code, out, _ = run("load", "test", "north", file(tmp_path))
    assert code == 0
    # the five kept cycles: falls 0.0772, rises -0.0764 in the mean; 1.1079 (0.0772 + 0.0764) / 2
    assert "10 kg racked it 0.0851 mm" in out
    assert "stiffness factor 0.12" in out
    listed = json.loads(run("load", "list", "north", "--json")[1])
    assert listed["fell"] is False
    (test,) = listed["tests"]
    assert (test["day"], test["place"], test["cycles"]) == ("2026-05-02", "hung", 5)
    assert test["low"] < test["f_k"] < test["high"]
    assert "2026-05-02  hung   glued" in run("load", "list", "north")[1]
    assert "load test of 2026-05-02" in run("door", "check", "north")[1]


def test_a_rated_door_is_refused_without_consent_in_one_sentence(run: Run, tmp_path: Path) -> None:
    hang(run, tmp_path, example_text("north").replace('rated = "none"', 'rated = "fire"'))
    for given in ([], [file(tmp_path)]):
        code, out, err = run("load", "test", "north", *given)
        assert (code, out) == (1, "")
        assert err == (
            "hangtrue: load test of saltmarsh-yard/north: needs its keeper's written consent, "
            "as [consent] in the file, got a fire door\n"
        )
    consent = '[consent]\nby = "A. Warden"\non = "2026-04-20"\nwords = "Once, with me there."\n\n[unloaded]'
    assert run("load", "test", "north", file(tmp_path, EXAMPLE.replace("[unloaded]", consent)))[0] == 0
    assert run("load", "test", "north", "--bench")[0] == 0  # on the bench it is not hung yet


def test_an_open_alert_refuses(run: Run, tmp_path: Path, url: str) -> None:
    hang(run, tmp_path)
    engine = open_engine(url)
    evidence = {"alarm": True, "turn_stays_mrad": 0.13, "turn_low_mrad": 0.11, "turn_open_mrad": 0.166}
    finding = Finding(topic="joint", about="north/lock-hinge", evidence=evidence)
    with session_of(engine) as session:
        night = ledger.Night(slot="2026-11-23", at=datetime(2026, 11, 24, tzinfo=UTC))
        ledger.record(session, Inspection(findings=(finding,)), door=find_door(session, "north"), night=night)
    engine.dispose()
    code, _, err = run("load", "test", "north")
    assert (code, "needs a door on which no alert stands, got " in err) == (1, True)


def test_pieces_of_the_same_pot_stand_beside_the_test(run: Run, tmp_path: Path) -> None:
    hang(run, tmp_path)
    head, first = PIECES.split("[[piece]]")[:2]
    three = [first.replace("order = 1", f"order = {k}") for k in (1, 2, 3)]
    pieces = tmp_path / "pieces.toml"
    pieces.write_text("[[piece]]".join([head, *three]), "utf-8")
    assert run("piece", "add", pieces)[0] == 0
    run("load", "test", "north", file(tmp_path))
    (told,) = json.loads(run("load", "list", "north", "--json")[1])["pieces"]
    assert told["same_sizes_as"] == ["lock-hinge", "lock-latch"]
    said = run("load", "list", "north")[1]
    assert "Pieces of pot-3: factor 0.15" in said
    assert "with the load test 0.1" in said


def test_the_room_is_told_from_the_last_week_of_readings(tmp_path: Path, url: str) -> None:
    schema.upgrade(url)
    engine = open_engine(url)
    with Session(engine) as session:
        hung = stored_door(session, Truth(years=0.3, droop_mm_per_year=30.0, season_mm=0.0))
        room = room_of(session, hung, now=hung.hung + timedelta(days=105))
        silent = room_of(session, hung, now=hung.hung - timedelta(days=2))
    engine.dispose()
    assert room is not None
    # of the sill's 8 mm: 30 mm a year from the middle of the line, day 20.5, to that of the week, day 102
    assert room.edge == "sill"
    assert room.least_mm == pytest.approx(8 - 30 * (102 - 20.5) / 365.25, abs=0.1)
    assert silent is None


def test_an_unknown_door_and_a_bad_file_are_refused(run: Run, tmp_path: Path) -> None:
    hang(run, tmp_path)
    assert run("load", "test", "nroth")[0] == 1
    code, _, err = run(
        "load", "test", "north", file(tmp_path, EXAMPLE.replace("mass_kg = 10", "mass_kg = 40"))
    )
    assert (code, "mass_kg: 40 came" in err) == (2, True)
    assert run("load", "example")[1] == EXAMPLE
