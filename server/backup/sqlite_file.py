"""SQLite files: a snapshot of one in use, and a strange one looked at before it is believed."""

import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool

from server.backup.contents import LEFT_OUT, Contents, contents_of
from server.backup.refusals import BackupError
from server.schema import downgrade, upgrade

MAGIC = b"SQLite format 3\x00"
CAREFUL = ("trusted_schema=OFF", "cell_size_check=ON", "query_only=ON")
WAIT_S = 60.0


def path_of(engine: Engine) -> Path:
    """The file of a SQLite database. Raises BackupError for one in memory, or that is not there."""
    path = Path(engine.url.database or "")
    if not path.is_file():
        raise BackupError("back up the database", "a database in a file", str(path) or "none")
    return path


def snapshot(source: Path, target: Path) -> None:
    """Copy a database in use, as it stands at one moment, into a new file. Writers go on.

    Source: SQLite documentation, "SQLite Backup API"; Python, sqlite3.Connection.backup.
    """
    with closing(sqlite3.connect(source, timeout=WAIT_S)) as live, closing(sqlite3.connect(target)) as copy:
        live.execute("PRAGMA query_only=ON")
        live.backup(copy, pages=-1)
        # one file alone, without a log beside it; what is left out is overwritten, not merely unlinked
        copy.execute("PRAGMA journal_mode=DELETE")
        copy.execute("PRAGMA secure_delete=ON")
        for name in _tables(copy) & set(LEFT_OUT):
            copy.execute(f"DELETE FROM {name}")  # noqa: S608  (names of our own tables)
        copy.commit()
    target.chmod(0o600)


def check_file(path: Path, *, asked: str) -> Contents:
    """What a file holds, once it is seen to be whole and ours.

    No page is amiss, no row without its parent; tables, triggers and views are as our migrations make them.
    Raises BackupError. Source: SQLite documentation, "Defense Against The Dark Arts".
    """
    try:
        with path.open("rb") as file:
            if file.read(16) != MAGIC:
                raise BackupError(asked, "a SQLite file", f"another file, {path.name}")
        with _careful(path) as connection:
            _check_pages(connection, asked)
            found = contents_of(connection)
            _check_schema(connection, found.revision, asked)
    except DBAPIError as error:
        raise BackupError(asked, f"a whole file {path.name}", str(error.orig)[:120]) from None
    except (sqlite3.DatabaseError, OSError) as error:
        raise BackupError(asked, f"a whole file {path.name}", str(error)[:120]) from None
    return found


@contextmanager
def _careful(path: Path) -> Iterator[Connection]:
    def connect() -> sqlite3.Connection:
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
        for line in CAREFUL:
            connection.execute(f"PRAGMA {line}")
        return connection

    engine = create_engine("sqlite://", creator=connect, poolclass=NullPool)
    try:
        with engine.connect() as connection:
            yield connection
    finally:
        engine.dispose()


def check_pages(connection: Connection, *, asked: str) -> None:
    """Raise BackupError for a page that is amiss, or a row without its parent."""
    _check_pages(connection, asked)


def _check_pages(connection: Connection, asked: str) -> None:
    said = [str(row[0]) for row in connection.exec_driver_sql("PRAGMA integrity_check(5)")]
    if said != ["ok"]:
        raise BackupError(asked, "a whole database", "; ".join(said)[:200])
    if orphans := connection.exec_driver_sql("PRAGMA foreign_key_check").fetchmany(5):
        came = ", ".join(f"a row of {row[0]} without its {row[2]}" for row in orphans)
        raise BackupError(asked, "every row to have its parent", came[:200])


def _check_schema(connection: Connection, revision: str | None, asked: str) -> None:
    # integrity_check is content with a strange trigger, which would run when the file is written to
    found, ours = _schema(connection), _our_schema(revision, asked)
    if strange := sorted(found.keys() ^ ours.keys()) or sorted(
        name for name in ours if ours[name] != found[name]
    ):
        raise BackupError(asked, f"the tables of revision {revision}", f"another form of {strange[0]!r:.40}")


def _our_schema(revision: str | None, asked: str) -> dict[str, str]:
    if revision is None:
        raise BackupError(asked, "a database of hangtrue", "one without its tables")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "empty.db"
        upgrade(f"sqlite:///{path}")
        downgrade(f"sqlite:///{path}", revision)
        with _careful(path) as connection:
            return _schema(connection)


def _schema(connection: Connection) -> dict[str, str]:
    rows = connection.exec_driver_sql(
        "SELECT type, name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite\\_%' ESCAPE '\\'"
    )
    return {f"{kind} {name}": " ".join(str(sql).split()) for kind, name, sql in rows}


def _tables(connection: sqlite3.Connection) -> set[str]:
    return {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
