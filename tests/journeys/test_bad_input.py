"""What cannot be used is refused in a sentence, with its exit code, and leaves the store as it was."""

import json
import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from subprocess import CompletedProcess

import pytest

from server.doors.example import example_text
from tests.journeys.hung import Hung, hang, write_node_file
from tests.journeys.needs import require
from tests.journeys.yard import (
    SCRIPTS,
    SITE,
    Served,
    Yard,
    call,
    end,
    enrol_plain,
    make_yard,
    run,
    serving,
    until,
)

Asking = Callable[..., CompletedProcess[str]]
HEAD = "time,channel,value,unit\n"
GOOD = f"2026-01-05T08:00:00Z,{SITE}/shed/air-rh,61.5,%RH\n"
FILES: dict[str, bytes] = {
    "one-bad.csv": f"{HEAD}{GOOD}2026-01-05T09:00:00Z,{SITE}/shed/air-rh,wet,%RH\n".encode(),
    "other-unit.csv": f"{HEAD}{GOOD}2026-01-05T09:00:00Z,{SITE}/shed/air-rh,0.6,/\n".encode(),
    "stranger.csv": f"{HEAD}{GOOD}2026-01-05T09:00:00Z,{SITE}/barn/air-rh,60,%RH\n".encode(),
    "no-head.csv": GOOD.encode(),
    "bytes.csv": b"\xff\xfe\x00time",
    "picture.toml": b"\x89PNG\r\n\x1a\n\x00",
    "not-toml.toml": b"[door\nname = north",
    "no-key.toml": b'[door]\nsite = "saltmarsh-yard"\nheigth_mm = 2150\n',
    "settings.toml": b'state_dir = "/tmp"\n[pages]\nbnid = "127.0.0.1:0"\n',
    "open.toml": b'[pages]\nbind = "0.0.0.0:80"\n',
}
# what is asked · exit code · what the sentence says
CASES: dict[str, tuple[list[str], int, str]] = {
    "unknown door looked at": (["inspect", "barn"], 1, "barn"),
    "unknown door shown": (["door", "show", "saltmarsh-yard/barn"], 1, "barn"),
    "door without its node": (["door", "add", "good.toml"], 1, "hangtrue node enrol saltmarsh-yard/north"),
    "door file that is a picture": (["door", "add", "picture.toml"], 2, "UTF-8"),
    "door file that is no TOML": (["door", "add", "not-toml.toml"], 2, "not-toml.toml"),
    "door file with a wrong key": (["door", "add", "no-key.toml"], 2, "height_mm"),
    "door file that is not there": (["door", "add", "nowhere.toml"], 2, "nowhere.toml"),
    "checked door file": (["door", "check", "no-key.toml"], 2, "no-key.toml:3"),
    "node enrolled again": (["node", "enrol", f"{SITE}/shed"], 1, "this one is enrolled"),
    "node without a site": (["node", "enrol", "shed"], 2, "SITE/NODE"),
    "plain node without channels": (["node", "enrol", f"{SITE}/barn", "--plain"], 2, "--channel"),
    "channel in per cent": (
        ["node", "enrol", f"{SITE}/barn", "--plain", "--channel", f"{SITE}/barn/a=%"],
        2,
        "unit",
    ),
    "CSV with one bad line": (["import", "one-bad.csv"], 1, "nothing was stored, got 1 bad line"),
    "CSV in another unit": (["import", "other-unit.csv"], 1, "nothing was stored, got 1 bad line"),
    "CSV of a stranger": (["import", "stranger.csv"], 1, "nothing was stored, got 1 bad line"),
    "CSV without a head": (["import", "no-head.csv"], 2, "time,channel,value,unit"),
    "CSV that is none": (["import", "bytes.csv"], 2, "UTF-8"),
    "CSV in no zone": (["import", "one-bad.csv", "--tz", "Mars/Olympus"], 2, "Europe/London"),
    "alert that is not there": (["alert", "seen", "99"], 1, "99"),
    "alert closed that is not there": (["alert", "close", "99", "planed"], 1, "99"),
    "night that is none": (["inspect", "--night", "yesterday"], 2, "a date such as"),
    "command that is none": (["inspekt"], 2, "inspekt"),
}
# one of each exit code, and a misuse, as a process of its own; the rest in this one
PROCESSES = ("unknown door looked at", "door file that is a picture", "command that is none")
# settings before the command
SETTINGS: dict[str, tuple[list[str], str]] = {
    "settings that are not there": (["--config", "nowhere.toml"], "nowhere.toml"),
    "settings with a wrong key": (["--config", "settings.toml"], "settings.toml:3 pages.bnid"),
    "pages open to all": (["--config", "open.toml"], "127.0.0.1 is needed"),
    "database of another kind": (["--database", "mysql://yard"], "sqlite:///FILE or postgresql"),
    "database that is none": (["--database", "yard.db"], "sqlite:///yard.db"),
    "folder that cannot be": (["--database", "sqlite:////proc/yard/yard.db"], "the database: needs a"),
    "database server away": (
        ["--database", "postgresql+psycopg://yard@127.0.0.1:1/yard"],
        "a database that answers",
    ),
}


# a service that were not refused would go on: it is a process, which can be ended
WAYS: dict[str, tuple[Asking, list[str]]] = {"serve": (run, ["serve"]), "door list": (call, ["door", "list"])}


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    """A yard with a plain device, the files of the cases beside it."""
    made = make_yard(tmp_path_factory.mktemp("bad"))
    enrol_plain(made, "shed", air_rh="%RH")
    for name, data in FILES.items():
        (made.folder / name).write_bytes(data)
    (made.folder / "good.toml").write_text(example_text("north"), "utf-8")
    return made


def placed(yard: Yard, arguments: list[str]) -> list[str]:
    """The arguments with their files as whole paths."""
    names = {"nowhere.toml", "good.toml", *FILES}
    return [str(yard.folder / each) if each in names else each for each in arguments]


def rows(yard: Yard) -> dict[str, int]:
    """How many rows each table has."""
    told = yard.command("db", "check", "--json")
    assert told.returncode == 0, told.stderr
    counts: dict[str, int] = json.loads(told.stdout)["rows"]
    return counts


def check_refused(told: CompletedProcess[str], code: int, said: str) -> None:
    """One sentence on the standard error, or a head and a line for each complaint; no traceback."""
    assert told.returncode == code, (told.stdout, told.stderr)
    assert said in told.stderr, told.stderr
    assert "Traceback" not in told.stderr
    assert told.stderr.count("hangtrue: ") + told.stderr.count("Error: ") == 1, told.stderr


@pytest.fixture(scope="module")
def before(yard: Yard) -> dict[str, int]:
    """The rows before any case."""
    return rows(yard)


@pytest.mark.parametrize(("arguments", "code", "said"), CASES.values(), ids=CASES)
def test_a_command_refuses(
    yard: Yard, before: dict[str, int], arguments: list[str], code: int, said: str
) -> None:
    check_refused(yard.command(*placed(yard, arguments)), code, said)


@pytest.mark.parametrize("case", PROCESSES)
def test_a_process_refuses(yard: Yard, before: dict[str, int], case: str) -> None:
    arguments, code, said = CASES[case]
    check_refused(yard.process(*placed(yard, arguments)), code, said)


def test_no_refused_command_left_anything(yard: Yard, before: dict[str, int]) -> None:
    assert rows(yard) == before


def test_the_good_lines_of_a_bad_file_are_stored_when_asked(yard: Yard, before: dict[str, int]) -> None:
    told = yard.command("import", yard.folder / "one-bad.csv", "--skip-bad")
    assert (told.returncode, told.stdout.splitlines()[-1]) == (0, "1 readings stored")
    assert yard.rows("SELECT count(*) FROM reading") == [(1,)]


@pytest.mark.parametrize(("settings", "said"), SETTINGS.values(), ids=SETTINGS)
@pytest.mark.parametrize(("how", "command"), WAYS.values(), ids=WAYS)
def test_settings_are_refused(
    yard: Yard, settings: list[str], said: str, how: Asking, command: list[str]
) -> None:
    ours = [] if "--config" in settings else ["--config", str(yard.config)]
    check_refused(how("hangtrue", *ours, *placed(yard, settings), *command), 2, said)


NODE_FILES: dict[str, tuple[str, str]] = {
    "not TOML": ("site = ", "not TOML"),
    "a wrong key": ('site = "saltmarsh-yard"\nnode = "north"\nstate_dir = "x"\nbrokr = 1\n', "broker?"),
    "a wrong port": (
        'site = "saltmarsh-yard"\nnode = "north"\nstate_dir = "x"\n[broker]\nport = 0\n',
        ":5 port: 0 came",
    ),
    "no site": ('node = "north"\nstate_dir = "x"\n', "site: None came"),
}


def check_node(told: CompletedProcess[str], code: int, said: str) -> None:
    """As of the service's command."""
    assert told.returncode == code, (told.stdout, told.stderr)
    assert said in told.stderr, told.stderr
    assert "Traceback" not in told.stderr
    assert told.stderr.count("hangtrue-node: ") == 1


@pytest.mark.parametrize(("text", "said"), NODE_FILES.values(), ids=NODE_FILES)
def test_a_node_file_is_refused(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "node.toml").write_text(text, "utf-8")
    for command in ("run", "spool"):
        check_node(run("hangtrue-node", "--config", tmp_path / "node.toml", command), 2, said)


@pytest.fixture(scope="module")
def north(tmp_path_factory: pytest.TempPathFactory) -> tuple[Yard, Hung]:
    """A door with its node, both enrolled; nothing runs."""
    made = make_yard(tmp_path_factory.mktemp("north"))
    return made, hang(made, door="north", years=0.02, seed=1)


def _without_secret(made: Hung) -> None:
    (made.folder / "state" / "secret").rename(made.folder / "secret.kept")


def _with_a_damaged_spool(made: Hung) -> None:
    (made.folder / "state" / "spool.db").write_bytes(b"this is no database, and long enough to tell" * 40)


def _with_a_spool_of_later_form(made: Hung) -> None:
    with made.spool() as spool, closing(sqlite3.connect(spool.path)) as file:
        file.execute("PRAGMA user_version=9")


def _with_a_folder_that_is_a_file(made: Hung) -> None:
    shutil.rmtree(made.folder / "state")
    (made.folder / "state").write_text("not a folder", "utf-8")


STATES: dict[str, tuple[Callable[[Hung], None], int, str]] = {
    "no password": (_without_secret, 2, "hangtrue node enrol"),
    "a spool that is none": (_with_a_damaged_spool, 3, "a disk that takes them"),
    "a spool of a later form": (_with_a_spool_of_later_form, 3, "form 9 of the spool"),
    "a folder that is a file": (_with_a_folder_that_is_a_file, 3, "a disk that takes"),
}


@pytest.mark.parametrize(("spoil", "code", "said"), STATES.values(), ids=STATES)
@pytest.mark.parametrize("command", ["run", "simulate"])
def test_a_node_s_own_folder_is_refused(
    tmp_path: Path,
    north: tuple[Yard, Hung],
    spoil: Callable[[Hung], None],
    code: int,
    said: str,
    command: str,
) -> None:
    made = _copied(north[1], tmp_path)
    spoil(made)
    options = made.simulated if command == "simulate" else []
    check_node(run("hangtrue-node", "--config", made.config, command, *options), code, said)


@pytest.mark.parametrize("text", ["", "{}", "[]", "{not json"])
def test_a_simulated_node_with_a_damaged_note_says_how_to_go_on(
    tmp_path: Path, north: tuple[Yard, Hung], text: str
) -> None:
    made = _copied(north[1], tmp_path)
    (made.folder / "state" / "simulated.json").write_text(text, "utf-8")
    told = run("hangtrue-node", "--config", made.config, "simulate", *made.simulated)
    check_node(told, 2, "or --fresh, got a damaged simulated.json")


def test_a_disk_that_fills_up_ends_a_node_in_a_sentence_and_leaves_its_spool_sound(
    tmp_path: Path, north: tuple[Yard, Hung]
) -> None:
    """No file of it may grow beyond 64 KiB."""
    made = _copied(north[1], tmp_path)
    limited = [require(shutil.which("prlimit"), "prlimit: apt-get install util-linux"), "--fsize=65536"]
    command = [str(SCRIPTS / "hangtrue-node"), "--config", str(made.config), "simulate", *made.simulated]
    told = subprocess.run([*limited, *command], capture_output=True, text=True, timeout=30, check=False)
    check_node(told, 3, "keep the readings: needs a disk that takes them")
    counts = made.counts()
    assert (counts["is_sound"], counts["lost"]) == (True, 0)


def _copied(made: Hung, folder: Path) -> Hung:
    """The same door with a folder of its own, and nobody where its collector should be."""
    copy = Hung(folder=folder, door=made.door, years=made.years, seed=made.seed, hung=made.hung)
    (folder / "state").mkdir()
    for name in ("channels.toml", "state/secret"):
        (folder / name).write_bytes((made.folder / name).read_bytes())
    write_node_file(copy, 1)
    return copy


def test_a_node_whose_collector_is_away_keeps_all_and_says_so(
    tmp_path: Path, north: tuple[Yard, Hung]
) -> None:
    made = _copied(north[1], tmp_path)
    child = made.start()
    assert child.stdout is not None
    said = ""
    while "collector away" not in said:
        line = child.stdout.readline()
        assert line, said
        said += line
    assert end(child) == 0
    counts = made.counts()
    assert counts["head"] == counts["waiting"] > 100
    assert (counts["stored"], counts["lost"]) == (0, 0)


@pytest.fixture(scope="module")
def served(north: tuple[Yard, Hung]) -> Iterator[Served]:
    """The service of that door, running."""
    with serving(north[0]) as running:
        yield running


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_node_with_a_wrong_password_keeps_all_and_says_so(
    tmp_path: Path, north: tuple[Yard, Hung], served: Served, protocol: str
) -> None:
    yard, made = north[0], _copied(north[1], tmp_path)
    (made.folder / "state" / "secret").write_text("0000000000000000", "utf-8")
    before = len(yard.log.read_text("utf-8"))
    write_node_file(made, served.intake, protocol=protocol)
    child = made.start()
    assert child.stdout is not None
    said = ""
    while "bad user name or password" not in said.lower():
        line = child.stdout.readline()
        assert line, said
        said += line
    assert end(child) == 0
    until(lambda: "0x86" in yard.log.read_text("utf-8")[before:], "a line in the service's log", within_s=5)
    counts = made.counts()
    assert counts["head"] == counts["waiting"] > 100
    assert yard.rows("SELECT count(*) FROM reading") == [(0,)]
