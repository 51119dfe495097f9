"""The locks: one service a folder and a database, freed when its process ends."""

import os
import subprocess
import sys
from pathlib import Path

from sqlalchemy import Engine

from server.errors import SettingsError
from server.service.lock import only_on, only_service
from tests.fakes.intake import wait_for
from tests.refusals import refuses

HOLD = "import sys, pathlib; from server.service.lock import only_service\n" + (
    "with only_service(pathlib.Path(sys.argv[1])): print('held', flush=True); sys.stdin.read()"
)


def test_the_second_is_refused_and_the_first_is_named(tmp_path: Path) -> None:
    first = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert first.stdout is not None
    assert first.stdout.readline() == "held\n"
    with (
        refuses(
            SettingsError, asked=str(tmp_path), needed="no other service", came=f"process number {first.pid}"
        ),
        only_service(tmp_path),
    ):
        pass
    first.kill()
    first.communicate()
    with only_service(tmp_path):
        assert (tmp_path / "service.lock").read_text() == str(os.getpid())


def test_a_folder_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with (
        refuses(SettingsError, asked="start in", needed="a folder that can be written", came="exists"),
        only_service(tmp_path / "file"),
    ):
        pass


HOLD_DATABASE = (
    "import sys; from server.database import open_engine; from server.service.lock import only_on\n"
    "with only_on(open_engine(sys.argv[1])): print('held', flush=True); sys.stdin.read()"
)


def test_a_database_has_one_service_whatever_its_folder(engine: Engine, database_url: str) -> None:
    first = subprocess.Popen(
        [sys.executable, "-c", HOLD_DATABASE, database_url],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert first.stdout is not None
    assert first.stdout.readline() == "held\n"
    with (
        refuses(
            SettingsError,
            asked="open the database",
            needed="no other service",
            came=f"process number {first.pid}",
        ),
        only_on(engine),
    ):
        pass
    first.kill()
    first.communicate()
    # PostgreSQL sees the end of a connection a moment later
    wait_for(lambda: _is_free(engine), "the lock to be free")
    with only_on(engine), engine.connect():
        pass
    with only_on(engine):
        pass


def _is_free(engine: Engine) -> bool:
    try:
        with only_on(engine):
            return True
    except SettingsError:
        return False
