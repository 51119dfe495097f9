"""The database: base class, names of constraints, column types and engines. Knows no subject."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

from sqlalchemy import (
    BigInteger,
    Connection,
    DateTime,
    Dialect,
    Engine,
    Integer,
    MetaData,
    TypeDecorator,
    create_engine,
    event,
)
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, OperationalError
from sqlalchemy.orm import DeclarativeBase, Session, mapped_column

from server.errors import OutOfRangeError, SettingsError

__all__ = [
    "Base",
    "Big",
    "Key",
    "Session",
    "Utc",
    "UtcDateTime",
    "check_durable",
    "check_reachable",
    "open_engine",
    "session_of",
]

DURABLE = {
    "on",
    "local",
    "remote_write",
    "remote_apply",
    2,
    3,
}  # of PostgreSQL all but off; of SQLite FULL, EXTRA
DRIVERS = {"sqlite", "postgresql+psycopg"}
PRAGMAS = (
    "journal_mode=WAL",
    "foreign_keys=ON",
    "busy_timeout=5000",
    "wal_autocheckpoint=4000",
    "journal_size_limit=67108864",
)
NETWORK_FILE_SYSTEMS = {
    "nfs",
    "nfs4",
    "cifs",
    "smb3",
    "smbfs",
    "9p",
    "afs",
    "ceph",
    "fuse.sshfs",
    "glusterfs",
}


class UtcDateTime(TypeDecorator[datetime]):
    """A moment in UTC. A time without a zone is refused, not assumed."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """On the way in."""
        if value is not None and value.utcoffset() is None:
            raise OutOfRangeError("store a time", "a time zone", f"{value.isoformat()} without one")
        return value and value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """On the way out; SQLite keeps no zone, so UTC is put back."""
        return value and (value if value.tzinfo else value.replace(tzinfo=UTC)).astimezone(UTC)


class Base(DeclarativeBase):
    """Root of every table. Named constraints are what lets a migration drop them again."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )


# SQLite numbers rows by itself only where the key is spelled INTEGER.
WHOLE = BigInteger().with_variant(Integer(), "sqlite")

Key = Annotated[int, mapped_column(WHOLE, primary_key=True)]
Big = Annotated[int, mapped_column(WHOLE)]
Utc = Annotated[datetime, mapped_column(UtcDateTime)]


def open_engine(database_url: str, *, reader: bool = False) -> Engine:
    """An engine on SQLite or PostgreSQL (psycopg). A reader cannot write.

    Raises SettingsError for an address that is neither, or a SQLite file on a network file system.
    Source: SQLite documentation, "Write-Ahead Logging" and "PRAGMA statements".
    """
    try:
        url = make_url(database_url)
    except ArgumentError:
        needed = "an address such as sqlite:///yard.db"
        raise SettingsError("open the database", needed, repr(database_url[:40])) from None
    if url.drivername not in DRIVERS:
        needed = "sqlite:///FILE or postgresql+psycopg://USER@HOST/NAME"
        raise SettingsError("open the database", needed, repr(url.drivername[:40]))
    is_sqlite = url.drivername == "sqlite"
    if is_sqlite and url.database:
        _refuse_network_file_system(Path(url.database))
    engine = create_engine(url, pool_pre_ping=not is_sqlite)
    event.listen(
        engine, "connect", _sqlite_pragmas(reader=reader) if is_sqlite else _read_only(reader=reader)
    )
    if is_sqlite:
        event.listen(engine, "begin", _begin_reading if reader else _begin)
    return engine


@contextmanager
def session_of(engine: Engine) -> Iterator[Session]:
    """One short session, committed at its end unless the block raises.

    On SQLite it waits for its turn to write at its start: one that reads first and writes later could be
    refused in between, and such a refusal does not wait.
    """
    with Session(engine.execution_options(immediate=True)) as session, session.begin():
        yield session


@contextmanager
def reading_of(engine: Engine) -> Iterator[Session]:
    """One short session that only reads; what is written in it is not kept.

    On SQLite it waits for no writer and holds up none, where `session_of` does both.
    """
    with Session(engine) as session:
        yield session


def check_reachable(engine: Engine) -> None:
    """Raise SettingsError when the database does not answer."""
    try:
        with engine.connect():
            pass
    except OperationalError as error:
        came = str(error.orig).strip().splitlines()[0][:120]
        raise SettingsError("open the database", "a database that answers", came) from None


def check_durable(engine: Engine) -> None:
    """Raise SettingsError when a commit may return before it is on the disk.

    Source: PostgreSQL manual, synchronous_commit; SQLite documentation, PRAGMA synchronous.
    """
    with engine.connect() as connection:
        if engine.dialect.name == "sqlite":
            found = connection.exec_driver_sql("PRAGMA synchronous").scalar()
        else:
            found = connection.exec_driver_sql("SHOW synchronous_commit").scalar()
    if found not in DURABLE:
        wanted = "a database that keeps what it commits (synchronous_commit on, synchronous FULL)"
        raise SettingsError("store readings", wanted, str(found))


def file_system(path: Path, mounts: str) -> str:
    """The kind of file system that holds `path`, by the lines of a mount table; empty when not known."""
    found = max(
        ((Path(fields[1]), fields[2]) for line in mounts.splitlines() if len(fields := line.split()) > 2),
        key=lambda mount: len(mount[0].parts) if path.is_relative_to(mount[0]) else 0,
        default=(Path("/"), ""),
    )
    return found[1] if path.is_relative_to(found[0]) else ""


def _refuse_network_file_system(path: Path) -> None:
    table = Path("/proc/self/mounts")
    kind = file_system(path.absolute(), table.read_text("utf-8", "replace")) if table.exists() else ""
    if kind in NETWORK_FILE_SYSTEMS:
        # the write-ahead log is shared memory, which such a file system does not share
        raise SettingsError("open the database", "a disk of this computer", f"{path} on a network ({kind})")


def _sqlite_pragmas(*, reader: bool) -> Any:
    lines = [*PRAGMAS, *(["synchronous=NORMAL", "query_only=ON"] if reader else ["synchronous=FULL"])]

    def connect(connection: Any, _record: object) -> None:
        # the driver's own BEGIN comes late and leaves DDL outside; ours are below
        connection.isolation_level = None
        cursor = connection.cursor()
        for line in lines:
            cursor.execute(f"PRAGMA {line}")
        cursor.close()

    return connect


def _begin(connection: Connection) -> None:
    immediate = connection.get_execution_options().get("immediate", False)
    _run(connection, "BEGIN IMMEDIATE" if immediate else "BEGIN")


def _begin_reading(connection: Connection) -> None:
    _run(connection, "BEGIN")


def _run(connection: Connection, statement: str) -> None:
    """Run a statement of every transaction in the driver itself, which is a third of the cost."""
    raw: Any = connection.connection.driver_connection
    try:
        raw.execute(statement)
    except sqlite3.Error as error:
        dialect = connection.dialect
        raise DBAPIError.instance(statement, None, error, sqlite3.Error, dialect=dialect) from error


def _read_only(*, reader: bool) -> Any:
    def connect(connection: Any, _record: object) -> None:
        connection.read_only = reader

    return connect
