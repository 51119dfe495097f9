"""Lines of the broker's password file, held against mosquitto_passwd and a real broker."""

import shutil
import subprocess
from pathlib import Path

import pytest

from server.auth.broker_passwords import is_right, password_line, users_of, with_lines
from tests.journeys.needs import require

PASSWORD = "4C7Q9MZK2T0VXA8B"  # noqa: S105 - invented


def written_by_mosquitto(folder: Path, user: str) -> str:
    program = require(shutil.which("mosquitto_passwd"), "mosquitto_passwd: apt-get install mosquitto")
    path = folder / "passwords"
    subprocess.run([program, "-b", "-c", path, user, PASSWORD], check=True, capture_output=True)
    return path.read_text("utf-8").strip()


def test_what_mosquitto_passwd_writes_is_read(tmp_path: Path) -> None:
    line = written_by_mosquitto(tmp_path, "saltmarsh-yard.north.1")
    assert is_right(line, PASSWORD)
    assert not is_right(line, PASSWORD[:-1] + "C")


def test_a_line_has_the_form_that_mosquitto_passwd_writes(tmp_path: Path) -> None:
    theirs, ours = written_by_mosquitto(tmp_path, "north"), password_line("north", PASSWORD)
    shapes = [[len(field) for field in line.split("$")] for line in (theirs, ours)]
    assert shapes[0] == shapes[1]
    assert theirs.split("$")[:3] == ours.split("$")[:3]
    assert ours != password_line("north", PASSWORD), "each has a salt of its own"
    assert PASSWORD not in ours


def test_the_same_salt_gives_the_same_line(tmp_path: Path) -> None:
    """mosquitto_passwd's own line, made again by us from its salt."""
    import base64

    theirs = written_by_mosquitto(tmp_path, "north")
    salt = base64.b64decode(theirs.split("$")[3])
    assert password_line("north", PASSWORD, random_bytes=lambda _count: salt) == theirs


@pytest.mark.parametrize(
    "line", ["", "north", "north:", "north:$6$a$b", "north:$7$x$a$b", "north:$7$101$a$!"]
)
def test_another_form_is_nobodys(line: str) -> None:
    assert not is_right(line, PASSWORD)


def test_lines_are_put_in_place_and_those_that_ended_go() -> None:
    text = "a:1\nb:2\nc:3\n"
    assert users_of(text) == {"a", "b", "c"}
    changed = with_lines(text, {"b": "b:9", "d": "d:4"}, keep={"a", "b"}.__contains__)
    assert changed == "a:1\nb:9\nd:4\n"
    assert with_lines("", {}, keep=bool) == ""
