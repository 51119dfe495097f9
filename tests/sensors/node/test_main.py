"""The node's command: one sentence a refusal, and the exit code of its kind."""

import json
import tomllib
from pathlib import Path

import pytest

from sensors.config import read_node_file
from sensors.node.main import main
from sensors.spool import Sampled, Spool, View


def node_file(folder: Path) -> Path:
    path = folder / "node.toml"
    path.write_text(f'site = "saltmarsh-yard"\nnode = "north"\nstate_dir = "{folder}"\n', "utf-8")
    return path


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (["--config", "none.toml", "spool"], 2, "No such file"),
        (["--config", "{file}", "spool"], 2, "a spool in"),
        (["--config", "{file}", "run"], 2, "at least one [[channel]]"),
        (["--config", "{file}", "simulate", "--door", "west"], 2, "is not one of"),
        (["simulate", "--door", "north", "--describe", "x", "--start", "noon"], 2, "a time with its offset"),
        (["simulate", "--door", "north", "--describe", "x", "--opening", "wide"], 2, "DOOR:JOINT:DAY:SIZE"),
        (["simulate", "--door", "north", "--describe", "x", "--fault", "fire"], 2, "hangtrue-node: --fault"),
        (["simulate", "--door", "north", "--describe", "x", "--kit", "H"], 2, "usual, every, A"),
        (
            ["simulate", "--door", "north", "--describe", "x", "--states", "no.csv"],
            2,
            "a text file that opens",
        ),
        (["nothing"], 2, "No such command"),
    ],
)
def test_a_refusal_is_one_sentence(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    arguments: list[str],
    status: int,
    said: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    file = node_file(tmp_path)
    assert main([one.format(file=file) for one in arguments]) == status
    told = capsys.readouterr()
    assert said in told.err
    assert "Traceback" not in told.err


def test_counts_of_a_spool(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = node_file(tmp_path)
    with Spool(tmp_path / "spool.db", journal_id=lambda: "7c1e90ab") as spool:
        spool.set_layout((("gap", "/", 6),))
        spool.append(Sampled(ms=1000 * k, clock="utc", boot=1, values=((0, k),)) for k in range(1, 13))
        spool.take_view(View(t=1, upto=7, have=((9, 9),), held=((10, 11),)))
    assert main(["--config", str(file), "spool"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("journal 7c1e90ab  head 12  tail 1  stored 8  held 2  waiting 2  lost 0  ")
    assert main(["--config", str(file), "spool", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["waiting"] == 2


def test_describing_a_door_writes_its_channels_and_calibrations(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["--door", "south", "--start", "2026-01-05T08:00:00+01:00", "--describe", str(tmp_path / "south")]
    assert main(["simulate", *asked]) == 0
    assert (tmp_path / "south/channels.toml").read_text().count("[[channel]]") == 18
    records = json.loads((tmp_path / "south/calibration.json").read_text())
    assert {record["from_ms"] for record in records} == {1_767_596_400_000}
    assert "18 channels" in capsys.readouterr().out


def test_an_ideal_door_with_use_says_its_decimals_and_its_two_more_channels(tmp_path: Path) -> None:
    asked = ["--door", "north", "--kit", "G", "--ideal", "--use", "--describe", str(tmp_path)]
    assert main(["simulate", *asked]) == 0
    tables = tomllib.loads((tmp_path / "channels.toml").read_text("utf-8"))["channel"]
    by_name = {table["name"]: table for table in tables}
    assert (by_name["diag-rise"]["decimals"], by_name["openings"]["decimals"]) == (9, 0)
    assert (by_name["openings"]["unit"], by_name["slam"]["unit"]) == ("count", "m/s2")
    assert "sill-latch" not in by_name
    file = node_file(tmp_path)
    file.write_text(file.read_text("utf-8") + (tmp_path / "channels.toml").read_text("utf-8"), "utf-8")
    assert len(read_node_file(file).channels) == len(tables)
