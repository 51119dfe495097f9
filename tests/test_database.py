"""Engines, times and sessions."""

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from sqlalchemy import Engine, event, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from server.database import check_durable, check_reachable, file_system, open_engine, session_of
from server.doors.tables import Site
from server.errors import OutOfRangeError, SettingsError
from server.readings.tables import Downlink
from tests.refusals import refuses

MOUNTS = "/dev/sda1 / ext4 rw 0 0\nserver:/yard /srv/yard nfs4 rw 0 0\ntmpfs /srv/yard/here tmpfs rw 0 0\n"


def test_pragmas_of_a_writer(tmp_path: Path) -> None:
    engine = open_engine(f"sqlite:///{tmp_path / 'yard.db'}")
    names = (
        "journal_mode",
        "foreign_keys",
        "busy_timeout",
        "synchronous",
        "wal_autocheckpoint",
        "query_only",
    )
    with engine.connect() as connection:
        found = [connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in names]
    engine.dispose()
    assert found == ["wal", 1, 5000, 2, 4000, 0]


def test_a_reader_cannot_write(engine: Engine, database_url: str) -> None:
    reader = open_engine(database_url, reader=True)
    with reader.connect() as connection:
        assert connection.execute(text("SELECT count(*) FROM site")).scalar() == 0
        with pytest.raises(DBAPIError):
            connection.execute(text("INSERT INTO site (name, zone) VALUES ('yard', 'Europe/London')"))
    reader.dispose()


@pytest.mark.parametrize(
    ("url", "came"),
    [("no address", "no address"), ("mysql://localhost/yard", "mysql"), ("postgresql://h/y", "postgresql")],
)
def test_other_addresses_are_refused(url: str, came: str) -> None:
    with refuses(SettingsError, asked="open the database", needed="sqlite:///", came=came):
        open_engine(url)


def test_a_database_that_does_not_answer_is_refused(tmp_path: Path) -> None:
    engine = open_engine(f"sqlite:///{tmp_path}")
    with refuses(SettingsError, asked="open the database", needed="answers", came="unable to open"):
        check_reachable(engine)
    engine.dispose()


def test_a_database_that_may_forget_is_refused(engine: Engine, database_url: str) -> None:
    check_durable(engine)
    forgetful = open_engine(database_url)
    off = "PRAGMA synchronous=NORMAL" if engine.dialect.name == "sqlite" else "SET synchronous_commit=off"
    event.listen(forgetful, "connect", lambda raw, _: raw.cursor().execute(off))
    with refuses(SettingsError, asked="store readings", needed="keeps what it commits", came=""):
        check_durable(forgetful)
    forgetful.dispose()


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/home/yard.db", "ext4"),
        ("/srv/yard/yard.db", "nfs4"),
        ("/srv/yard/here/a.db", "tmpfs"),
        ("/srv/yards.db", "ext4"),
    ],
)
def test_file_system_of_a_path(path: str, kind: str) -> None:
    assert file_system(Path(path), MOUNTS) == kind


def test_a_time_comes_back_in_utc(session: Session) -> None:
    moment = datetime(2026, 6, 1, 9, 30, tzinfo=timezone(timedelta(hours=1)))
    session.add(Downlink(topic="t", payload=b"", rev=1, changed=moment))
    session.commit()
    session.expire_all()
    back = session.get_one(Downlink, "t").changed
    assert (back, back.tzinfo) == (datetime(2026, 6, 1, 8, 30, tzinfo=UTC), UTC)


def test_a_time_without_a_zone_is_refused(session: Session) -> None:
    session.add(Downlink(topic="t", payload=b"", rev=1, changed=datetime(2026, 6, 1)))  # noqa: DTZ001  (the fault that is tested)
    with pytest.raises(Exception, match="time zone") as caught:
        session.flush()
    cause = caught.value.__cause__ or caught.value
    assert isinstance(cause, OutOfRangeError)


def test_a_session_is_undone_when_its_block_raises(engine: Engine) -> None:
    def fail() -> None:
        with session_of(engine) as session:
            session.add(Site(name="saltmarsh-yard", zone="Europe/London"))
            session.flush()
            raise LookupError

    with pytest.raises(LookupError):
        fail()
    with session_of(engine) as session:
        assert session.query(Site).count() == 0


def test_two_sessions_that_read_and_then_write_take_turns(engine: Engine) -> None:
    """On SQLite the second would be refused at once had it only read at its start."""
    with session_of(engine) as session:
        session.add(Site(id=1, name="saltmarsh-yard", zone="Europe/London"))
    if engine.dialect.name != "sqlite":
        return
    with engine.connect() as watcher, session_of(engine) as session:
        session.get_one(Site, 1).zone = "UTC"
        watcher.exec_driver_sql("PRAGMA busy_timeout=0")
        with pytest.raises(DBAPIError, match="locked"):
            watcher.exec_driver_sql("UPDATE site SET zone = 'UTC'")
