"""The manifest: the same after being written and read; another form is refused."""

import hashlib
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from server.backup.contents import Contents
from server.backup.manifest import Manifest, check_bytes, read, sha256_of, write
from server.backup.refusals import BackupError
from tests.backup.yard import NOW
from tests.refusals import refuses

DATA = b"SQLite format 3"
MADE = Manifest(
    made=NOW,
    version="0.1.0",
    kind="sqlite",
    schema="",
    sha256=hashlib.sha256(DATA).hexdigest(),
    contents=Contents(revision="0004", rows={"site": 1}, readings={7: {"2026-01": "0" * 64}}),
)


def written(folder: Path, text: str) -> Path:
    (folder / "manifest.json").write_text(text, "utf-8")
    return folder


def test_read_is_what_was_written(tmp_path: Path) -> None:
    assert read(written(tmp_path, write(MADE)), asked="read") == MADE
    assert json.loads(write(MADE))["made"] == "2026-11-24T02:00:00+00:00"
    assert (MADE.file, replace(MADE, kind="postgresql").file) == ("hangtrue.db", "hangtrue.dump")


@pytest.mark.parametrize("text", ["", "{", "[]", "{}", "null", '{"form":1}'])
def test_another_text_is_refused(tmp_path: Path, text: str) -> None:
    with refuses(BackupError, asked="read", needed="manifest.json", came=""):
        read(written(tmp_path, text), asked="read")


@pytest.mark.parametrize(
    "change",
    [
        {"rows": {"site": "1"}},
        {"rows": []},
        {"readings": {"../x": {}}},
        {"readings": {"1": {"2026-01": "00"}}},
        {"readings": {"1": {"January": "0" * 64}}},
        {"sha256": 1},
        {"made": "yesterday"},
    ],
    ids=repr,
)
def test_another_form_is_refused(tmp_path: Path, change: dict[str, Any]) -> None:
    text = json.dumps({**json.loads(write(MADE)), **change})
    with refuses(BackupError, asked="read", needed="of form 1", came="another form"):
        read(written(tmp_path, text), asked="read")


def test_bytes_are_those_that_were_hashed(tmp_path: Path) -> None:
    (tmp_path / "hangtrue.db").write_bytes(DATA)
    assert check_bytes(tmp_path, MADE, asked="read") == tmp_path / "hangtrue.db"
    assert sha256_of(tmp_path / "hangtrue.db") == MADE.sha256
    (tmp_path / "hangtrue.db").write_bytes(DATA + b"!")
    with refuses(BackupError, asked="read", needed="as it was made", came="other bytes"):
        check_bytes(tmp_path, MADE, asked="read")
