"""SQLite files: a snapshot is one moment, and a strange file is not believed."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import Engine

from server.backup.refusals import BackupError
from server.backup.sqlite_file import check_file, path_of, snapshot
from server.database import open_engine
from server.schema import downgrade, upgrade
from tests.backup.yard import contents, fill
from tests.refusals import refuses


@pytest.fixture
def live(tmp_path: Path) -> Path:
    """A file with a yard in it."""
    path = tmp_path / "live.db"
    upgrade(f"sqlite:///{path}")
    engine = open_engine(f"sqlite:///{path}")
    fill(engine, days=2)
    engine.dispose()
    return path


def test_a_snapshot_is_one_file_with_all_that_is_committed(live: Path, tmp_path: Path) -> None:
    """What lies in the log alone is in it; what is not committed yet is not."""
    with closing(sqlite3.connect(live, isolation_level=None)) as writer:
        writer.execute("PRAGMA wal_autocheckpoint=0")
        writer.execute("UPDATE site SET zone = 'Europe/Paris'")
        writer.execute("BEGIN IMMEDIATE")
        writer.execute("UPDATE site SET zone = 'Europe/Rome'")
        snapshot(live, tmp_path / "copy.db")
        writer.execute("ROLLBACK")
    with closing(sqlite3.connect(tmp_path / "copy.db")) as copy:
        assert copy.execute("SELECT zone FROM site").fetchall() == [("Europe/Paris",)]
        assert copy.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    assert sorted(one.name for one in tmp_path.glob("copy*")) == ["copy.db"]


def test_a_sound_file_is_read(live: Path) -> None:
    engine = open_engine(f"sqlite:///{live}")
    assert check_file(live, asked="read") == contents(engine)
    engine.dispose()


def test_a_file_of_an_older_revision_is_read(live: Path) -> None:
    downgrade(f"sqlite:///{live}", "0002")
    assert check_file(live, asked="read").revision == "0002"


STRANGE = {
    "trigger": "CREATE TRIGGER quiet AFTER INSERT ON reading BEGIN DELETE FROM reading; END",
    "view": "CREATE VIEW reading_view AS SELECT * FROM reading",
    "table": "CREATE TABLE more (id INTEGER)",
    "column": "ALTER TABLE site ADD COLUMN more TEXT",
    "missing": "DROP TRIGGER alert_event_no_delete",
}


@pytest.mark.parametrize("how", sorted(STRANGE))
def test_another_form_is_refused(live: Path, how: str) -> None:
    """SQLite's own check finds each of these files whole."""
    with closing(sqlite3.connect(live)) as raw, raw:
        raw.execute(STRANGE[how])
        assert raw.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    with refuses(BackupError, asked="read", needed="the tables of revision", came="another form"):
        check_file(live, asked="read")


def test_a_scrambled_page_is_refused(live: Path) -> None:
    with closing(sqlite3.connect(live)) as raw:
        raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        page = raw.execute("SELECT rootpage FROM sqlite_master WHERE name = 'reading'").fetchone()[0]
    data = bytearray(live.read_bytes())
    data[(page - 1) * 4096 : page * 4096] = b"\x55" * 4096
    live.write_bytes(data)
    with refuses(BackupError, asked="read", needed="whole", came=""):
        check_file(live, asked="read")


@pytest.mark.parametrize("data", [b"", b"PGDMP", b"SQLite format 3\x00" + b"\xff" * 4096])
def test_what_is_no_database_is_refused(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "x.db").write_bytes(data)
    with refuses(BackupError, asked="read", needed="", came=""):
        check_file(tmp_path / "x.db", asked="read")


def test_a_database_without_our_tables_is_refused(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "x.db")) as raw, raw:
        raw.execute("CREATE TABLE letters (id INTEGER)")
    with refuses(BackupError, asked="read", needed="a database of hangtrue", came="without its tables"):
        check_file(tmp_path / "x.db", asked="read")


def test_a_database_in_memory_has_no_file(tmp_path: Path) -> None:
    engine = open_engine("sqlite://")
    with refuses(BackupError, asked="back up", needed="in a file", came=""):
        path_of(engine)
    engine.dispose()


def test_the_file_of_an_address(engine: Engine) -> None:
    if engine.dialect.name == "sqlite":
        assert path_of(engine).name == "test.db"
