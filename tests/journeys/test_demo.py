"""The demo by its command: it checks itself, ends on ^C with all its processes, and refuses in a sentence."""

import os
import re
import signal
import socket
from pathlib import Path
from urllib.request import urlopen

import pytest
from sqlalchemy import text

from server.database import open_engine
from tests.journeys.yard import SCRIPTS, call, end, first_line, make_yard, run, start, until

YEARS, SEED = "0.3", "2"
INSTANTS, CHANNELS = 1754, 20  # of 0.3 years in steps of an hour and a half, the first at the hanging
PATHS = ("/", "/doors/saltmarsh-yard/north", "/compare", "/alerts", "/api/v1/doors", "/healthz")
DEMO = ("demo", "--years", YEARS, "--seed", SEED)


def processes_below(pid: int) -> set[int]:
    """The processes that this one started, and those that they started."""
    below: set[int] = set()
    for folder in Path(f"/proc/{pid}/task").glob("*"):
        for child in (int(word) for word in (folder / "children").read_text("utf-8").split()):
            below |= {child} | processes_below(child)
    return below


def is_alive(pid: int) -> bool:
    """Whether a process of that number runs."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


@pytest.fixture(scope="module")
def checked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a demo that ran to its end and found itself whole."""
    folder = tmp_path_factory.mktemp("demo") / "yard"
    told = run("hangtrue", *DEMO, "--check", "--folder", folder, within_s=150)
    assert told.returncode == 0, told.stdout + told.stderr
    for door in ("north", "south"):
        count = f"{INSTANTS * CHANNELS:,}"
        assert f"{door}: {count} readings of {count}" in told.stdout
    assert [path for path in PATHS if f"\n{path}: 200\n" not in told.stdout] == []
    assert told.stdout.endswith(f"All is whole.\nEnded; its files are kept in {folder}.\n")
    assert "refused" not in told.stderr  # of its own packs, not one
    return folder


def test_it_finds_itself_whole_and_says_what_it_looked_at(checked: Path) -> None:
    engine = open_engine(f"sqlite:///{checked / 'service' / 'hangtrue.db'}", reader=True)
    with engine.connect() as connection:
        # every instant once; those after the end of the years came live
        assert connection.execute(text("SELECT count(*) FROM instant")).scalar_one() >= 2 * INSTANTS
        assert connection.execute(text("SELECT count(*) FROM quarantine")).scalar_one() == 0
        looks = connection.execute(text("SELECT DISTINCT scope, status FROM inspection")).all()
    engine.dispose()
    scopes = ("door/1", "door/2", "site/saltmarsh-yard")
    assert {tuple(look) for look in looks} == {(scope, "done") for scope in scopes}


def test_other_years_in_the_same_folder_are_refused(checked: Path) -> None:
    told = call("hangtrue", "demo", "--years", "0.5", "--seed", SEED, "--check", "--folder", checked)
    assert told.returncode == 2
    assert told.stdout == ""
    assert told.stderr == (
        f"hangtrue: go on in {checked}: needs the same --seed 2 --years 0.3 as its first run had, "
        "or --fresh to begin anew, got --seed 2 --years 0.5\n"
    )


def test_an_older_demos_folder_is_refused(tmp_path: Path) -> None:
    """Its boxes had neither counter nor meter: what these send would not be taken."""
    (tmp_path / "demo.json").write_text(
        '{"seed": 2, "years": 0.3, "hung": "2026-01-01T00:00:00+00:00"}', "utf-8"
    )
    told = call("hangtrue", *DEMO, "--check", "--folder", tmp_path)
    assert (told.returncode, told.stdout) == (2, "")
    assert "needs --fresh to begin anew, got an older demo's, without use" in told.stderr


def test_a_folder_with_other_things_is_refused_and_left_alone(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("mine", "utf-8")
    told = call("hangtrue", *DEMO, "--check", "--folder", tmp_path)
    assert (told.returncode, told.stdout) == (2, "")
    assert "an empty one" in told.stderr or "a folder that is empty" in told.stderr
    assert [each.name for each in tmp_path.iterdir()] == ["letter.txt"]


def folder_of(pid: int) -> Path:
    """The folder of a demo, from the words that its gauges' processes were started with."""
    for child in processes_below(pid):
        words = Path(f"/proc/{child}/cmdline").read_bytes().decode().split("\0")
        if "simulate" in words:
            return Path(words[words.index("--config") + 1]).parents[1]
    raise AssertionError("no gauges run")


@pytest.mark.parametrize(("to_all", "is_kept"), [(True, True), (False, False)], ids=["terminal", "process"])
def test_an_interrupt_ends_it_and_all_that_it_started(tmp_path: Path, to_all: bool, is_kept: bool) -> None:
    log = tmp_path / "demo.log"
    asked = ["--folder", str(tmp_path / "yard")] if is_kept else []
    child = start(SCRIPTS / "hangtrue", *DEMO, *asked, log=log)
    assert child.stdout is not None
    try:
        found = re.search(r"http://127\.0\.0\.1:\d+/", first_line(child))
        assert found is not None, log.read_text("utf-8")
        with urlopen(found[0], timeout=60) as answer:  # noqa: S310  (our own address)
            assert answer.status == 200
        until(lambda: len(processes_below(child.pid)) >= 3, "the pages and both doors' gauges")
        below, folder = processes_below(child.pid), folder_of(child.pid)
        # a terminal's ^C comes to every process of the group; a kill -INT to the one
        os.killpg(child.pid, signal.SIGINT) if to_all else child.send_signal(signal.SIGINT)
        assert child.wait(20) == 0
        last = child.stdout.read().splitlines()[-1]
    finally:
        end(child)
    until(lambda: not any(is_alive(pid) for pid in below), "its processes to be gone", within_s=5)
    said = log.read_text("utf-8")
    assert "Traceback" not in said
    assert "started again" not in said
    assert folder.exists() == is_kept
    assert last == (
        f"Ended; its files are kept in {tmp_path / 'yard'}." if is_kept else "Ended; its files are gone."
    )


def test_a_port_in_use_is_refused(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        told = run("hangtrue", *DEMO, "--port", str(port), "--folder", tmp_path / "yard")
    assert (told.returncode, told.stdout) == (2, "")
    assert f"hangtrue: serve the pages on 127.0.0.1:{port}: needs a free port" in told.stderr
    assert "Traceback" not in told.stderr


@pytest.mark.parametrize("part", ["intake", "pages"])
def test_the_service_refuses_a_port_in_use(tmp_path: Path, part: str) -> None:
    yard = make_yard(tmp_path)
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        told = yard.config.read_text("utf-8").replace(
            f'[{part}]\nbind = "127.0.0.1:0"', f'[{part}]\nbind = "127.0.0.1:{port}"'
        )
        yard.config.write_text(told, "utf-8")
        came = yard.process("serve")
    assert (came.returncode, came.stdout) == (2, "")
    assert f"on 127.0.0.1:{port}: needs a free port" in came.stderr.splitlines()[-1]
    assert "Traceback" not in came.stderr


def test_the_service_refuses_a_newer_database(tmp_path: Path) -> None:
    yard = make_yard(tmp_path)
    assert yard.command("db", "upgrade").returncode == 0
    engine = open_engine(yard.database)
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    engine.dispose()
    came = yard.process("serve")
    assert (came.returncode, came.stdout) == (2, "")
    assert "9999" in came.stderr.splitlines()[-1]
    assert "Traceback" not in came.stderr
