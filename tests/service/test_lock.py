"""The lock: one service a folder, freed when its process ends."""

import os
import subprocess
import sys
from pathlib import Path

from server.errors import SettingsError
from server.service.lock import only_service
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
