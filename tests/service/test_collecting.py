"""A collector beside a service: what it refuses."""

import subprocess
from pathlib import Path

import pytest

from server.config import Broker, Settings
from server.errors import SettingsError
from server.service import children
from server.service.collecting import collect
from tests.fakes.clock import HandClock
from tests.refusals import refuses


@pytest.mark.parametrize(("kind", "number"), [("listener", 2), ("broker", 1), ("broker", 0)])
def test_beside_a_service_only_by_its_broker_and_from_two_on(tmp_path: Path, kind: str, number: int) -> None:
    settings = Settings(
        state_dir=tmp_path, database="sqlite://", intake_kind=kind, broker=Broker(collector=number)
    )
    with refuses(SettingsError, asked="beside a service", needed="from 2 on", came=f"{kind} and {number}"):
        collect(settings, clock=HandClock(), say=print)


def test_the_command_refuses_in_a_sentence(tmp_path: Path) -> None:
    told = subprocess.run(
        [children.script("hangtrue"), "--database", f"sqlite:///{tmp_path / 'a.db'}", "collect"],
        check=False,
        capture_output=True,
        text=True,
        timeout=30,
    )
    assert (told.returncode, "from 2 on" in told.stderr) == (2, True), told.stderr
