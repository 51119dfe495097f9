"""Commands about nodes: enrolling one shows its password once; the list says when it was heard."""

import json
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import update

from server.auth.keyring import Keyring
from server.cli.main import main
from server.clock import utc_now
from server.database import Session, open_engine, session_of
from server.doors.tables import Node
from server.service.rotations import Rotations

REF = "saltmarsh-yard/north"


@pytest.fixture
def url(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'yard.db'}"


def run(url: str, *arguments: str) -> int:
    return main(["--database", url, "node", *arguments])


def test_enrolling_prints_the_line_and_a_password_that_works(
    url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(url, "enrol", REF, "--zone", "Europe/London") == 0
    line, user, password = capsys.readouterr().out.splitlines()
    word = password.removeprefix("password  ")
    assert line.startswith(f"hangtrue:1;h=127.0.0.1;p=1883;s=saltmarsh-yard;n=north;g=1;k={word};x=")
    assert user == "user      saltmarsh-yard.north.1"
    engine = open_engine(url)
    known = Keyring(lambda: Session(engine)).identify("saltmarsh-yard.north.1", word.encode())
    engine.dispose()
    assert known is not None
    assert known.role == "node"


def test_a_second_enrolment_is_refused_and_says_what_to_do(
    url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    run(url, "enrol", REF, "--zone", "Europe/London")
    capsys.readouterr()
    assert run(url, "enrol", REF) == 1
    told = capsys.readouterr()
    assert told.out == ""
    assert "needs another name: this one is enrolled" in told.err


def test_a_line_that_ran_out_is_given_anew(url: str, capsys: pytest.CaptureFixture[str]) -> None:
    run(url, "enrol", REF, "--zone", "Europe/London")
    first = capsys.readouterr().out.splitlines()
    engine = open_engine(url)
    Rotations(engine).advance(utc_now() + timedelta(hours=25))
    engine.dispose()
    assert run(url, "enrol", REF) == 0
    again = capsys.readouterr().out.splitlines()
    assert again[1] == first[1], "the same user"
    assert again[2] != first[2], "another password"


def test_a_plain_device_gets_a_topic_and_no_line(url: str, capsys: pytest.CaptureFixture[str]) -> None:
    channels = ["--channel", "urn:dev:ow:1=%RH", "--channel", "t=Cel"]
    assert run(url, "enrol", "saltmarsh-yard/shed", "--plain", "--zone", "Europe/London", *channels) == 0
    assert capsys.readouterr().out.startswith("topic     hangtrue/v1/saltmarsh-yard/shed/readings\nuser ")
    run(url, "list", "--json")
    (node,) = json.loads(capsys.readouterr().out)
    assert (node["kind"], node["channels"]) == (
        "plain",
        [{"name": "urn:dev:ow:1", "unit": "%RH"}, {"name": "t", "unit": "Cel"}],
    )


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["north"], 2, "SITE/NODE, such as saltmarsh-yard/north"),
        ([REF, "--zone", "Mars/Olympus"], 2, "a name such as Europe/London"),
        ([REF, "--plain"], 2, "--channel NAME=UNIT for each"),
        ([REF, "--channel", "a=Cel"], 2, "hangtrue door add"),
        ([REF, "--plain", "--channel", "Cel"], 2, "NAME=UNIT, such as air=%RH"),
        ([REF, "--plain", "--channel", "a=mm"], 2, "the unit it is kept in, m"),
        (["Salt/north"], 2, "1 to 24 of a-z"),
    ],
)
def test_what_cannot_be_enrolled_is_refused_and_leaves_nothing(
    url: str, capsys: pytest.CaptureFixture[str], arguments: list[str], code: int, said: str
) -> None:
    assert run(url, "enrol", *arguments) == code
    assert said in capsys.readouterr().err
    run(url, "list")
    assert capsys.readouterr().out == "No node is enrolled yet: hangtrue node enrol SITE/NODE\n"


def test_the_zone_of_the_settings_is_a_new_sites(
    url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "hangtrue.toml"
    path.write_text(f'zone = "Asia/Tokyo"\ndatabase = "{url}"\n', "utf-8")
    assert main(["--config", str(path), "node", "enrol", REF]) == 0
    assert main(["--config", str(path), "node", "enrol", "saltmarsh-yard/south"]) == 0
    capsys.readouterr()
    run(url, "list", "--json")
    assert [node["zone"] for node in json.loads(capsys.readouterr().out)] == ["Asia/Tokyo"] * 2


def test_the_list_says_when_a_node_was_heard_and_what_waits(
    url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    run(url, "enrol", REF, "--zone", "Europe/London")
    run(url, "enrol", "saltmarsh-yard/south")
    engine = open_engine(url)
    with session_of(engine) as session:
        told = {"last_heard_ms": 1772622600000, "status": '{"st":"up","pend":3}'}
        session.execute(update(Node).where(Node.name == "north").values(**told))
    engine.dispose()
    capsys.readouterr()
    run(url, "list")
    _, north, south = capsys.readouterr().out.splitlines()
    assert north.split() == [REF, "tracked", "-", "0", "2026-03-04", "11:10", "UTC", "3"]
    assert south.split() == ["saltmarsh-yard/south", "tracked", "-", "0", "never", "-"]


def test_a_second_change_of_password_is_asked_for_anew(url: str, capsys: pytest.CaptureFixture[str]) -> None:
    run(url, "enrol", REF, "--zone", "Europe/London")
    assert run(url, "rotate", REF) == 0
    capsys.readouterr()
    assert run(url, "rotate", "north") == 1
    assert "or --anew, got generation 2 on its way" in capsys.readouterr().err
    assert run(url, "rotate", "north", "--anew", "--leaked") == 0
    assert "for saltmarsh-yard.north.3" in capsys.readouterr().out


def test_a_retired_node_is_no_more_in_the_list(url: str, capsys: pytest.CaptureFixture[str]) -> None:
    run(url, "enrol", REF, "--zone", "Europe/London")
    assert run(url, "retire", REF) == 0
    assert "is out of service; 1 passwords ended. Its readings stay." in capsys.readouterr().out
    assert run(url, "retire", REF) == 1
    assert run(url, "rotate", REF) == 1
