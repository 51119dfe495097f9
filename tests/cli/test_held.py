"""Commands about packs that were refused."""

import json

import pytest
from sqlalchemy import Engine

from server.cli.main import main
from server.clock import utc_now
from tests.intake.test_replay import enrol_new, strange
from tests.intake.yard import NORTH, collect, enrol_world, offer


def run(url: str, *arguments: str) -> int:
    """Run `hangtrue held ...` on a database."""
    return main(["--database", url, "held", *arguments])


def hold_one(engine: Engine) -> None:
    """Hold a pack of a channel that is not enrolled, as of now: the command reads the wall clock."""
    now_ms = round(utc_now().timestamp() * 1000)
    collect(engine, [offer(strange(1, 2), at_ms=now_ms)], now_ms=now_ms)


def test_list_names_what_is_held(
    engine: Engine, database_url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(database_url, "list") == 0
    assert capsys.readouterr().out == "nothing is held\n"
    enrol_world(engine)
    hold_one(engine)
    assert run(database_url, "list", "--node", "north") == 0
    head, line = capsys.readouterr().out.splitlines()
    assert head.split() == ["code", "from", "times", "kept", "arrived", "until"]
    assert line.split()[:4] == ["unknown-channel", "saltmarsh-yard/north", "1", str(len(strange(1, 2)))]
    assert run(database_url, "list", "--json") == 0
    (one,) = json.loads(capsys.readouterr().out)
    assert (one["code"], one["topic"], one["record"]) == ("unknown-channel", NORTH + "readings", 0)


def test_replay_says_what_was_stored_and_what_stays(
    engine: Engine, database_url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    enrol_world(engine)
    hold_one(engine)
    assert run(database_url, "replay") == 0
    said = capsys.readouterr().out
    assert said == "0 packs stored with 0 new readings\n1 stay: unknown-channel\n"
    enrol_new(engine)
    assert run(database_url, "replay", "--code", "unknown-channel", "--json") == 0
    assert json.loads(capsys.readouterr().out) == {
        "stored": 1,
        "readings": 4,
        "stays": {},
        "counted_alone": 0,
    }
    assert run(database_url, "list") == 0
    assert capsys.readouterr().out == "nothing is held\n"


@pytest.mark.parametrize("ref", ["%", "no_rth", "/north", "a/b/c"])
def test_a_node_that_is_no_name_is_refused(
    database_url: str, capsys: pytest.CaptureFixture[str], ref: str
) -> None:
    assert run(database_url, "list", "--node", ref) == 2
    assert "look for held packs: needs 1 to 24 of a-z" in capsys.readouterr().err
