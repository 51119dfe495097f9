"""PostgreSQL's own dump: made of one snapshot, read back without a database, and restored."""

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

import numpy as np
from sqlalchemy import Connection, Engine, func, select, text

from server.backup.contents import LEFT_OUT, Contents, contents_of, without_left_out
from server.backup.refusals import BackupError
from server.readings.content import MonthHashes
from server.schema import MONTH, all_tables

COPY = re.compile(r'COPY (?:"[^"]*"|\w+)\.(\w+) \(([^)]*)\) FROM stdin;')
END = "\\."
READINGS = ("channel_id", "t_ms", "value")
# what every version of PostgreSQL's programs knows; the driver's own may be newer than they are
ADDRESS = ("host", "hostaddr", "port", "user", "dbname", "sslmode", "sslrootcert", "sslcert", "sslkey")


def schema_of(engine: Engine) -> str:
    """The schema that the tables are in. Raises BackupError when the address names one that is not there."""
    with engine.connect() as connection:
        name = connection.execute(select(func.current_schema())).scalar()
    if name is None:
        raise BackupError("find the tables", "a schema that is there", "none by that address")
    return str(name)


def dump(engine: Engine, target: Path) -> Contents:
    """Write a dump in PostgreSQL's custom form, and give what it must hold: both see one moment.

    Raises BackupError. Source: PostgreSQL manual, pg_dump, --snapshot; pg_export_snapshot.
    """
    schema = schema_of(engine)
    with engine.connect().execution_options(isolation_level="REPEATABLE READ") as connection:
        moment = connection.execute(text("SELECT pg_export_snapshot()")).scalar_one()
        without = [f'--exclude-table-data="{schema}".{name}' for name in LEFT_OUT]
        shape = ["--format=custom", "--no-owner", "--no-privileges", f'--schema="{schema}"', *without]
        _run("pg_dump", [*shape, f"--snapshot={moment}", f"--file={target}"], connection)
        found = without_left_out(contents_of(connection))
    target.chmod(0o600)
    return found


def read_dump(path: Path, *, asked: str) -> Contents:
    """What a dump holds, read from the file itself: counts of rows, and hashes of readings.

    Raises BackupError for a file that cannot be read to its end.
    """
    # an older revision has fewer tables; those left out, and readings before they came, have no lines
    rows, known = dict.fromkeys((*LEFT_OUT, "reading"), 0), set(all_tables().tables)
    hashes, revision = MonthHashes(), None
    with _script(path, asked) as lines:
        for line in lines:
            match = COPY.match(line)
            if match is None:
                continue
            name, columns = match[1], tuple(match[2].replace('"', "").split(", "))
            if MONTH.fullmatch(name):
                rows["reading"] += _hash_month(lines, columns, hashes, asked)
                continue
            body = list(_body(lines, asked))
            if name == "alembic_version":
                revision = body[0] if body else None
            elif name in known:
                rows[name] = len(body)
    return Contents(revision=revision, rows=rows, readings=hashes.found())


def restore_dump(engine: Engine, path: Path, *, schema: str, aside: str) -> None:
    """Put the tables of a dump, which has them in `schema`, where the address points.

    What stands there is renamed `aside`. Raises BackupError, and then all is as before.
    """
    target = schema_of(engine)
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        for name in {schema, aside} - {target}:
            if _has_schema(connection, name):
                raise BackupError("restore", f"no schema {name} beside {target}", "one that is there")
        _sql(connection, "ALTER SCHEMA {} RENAME TO {}", target, aside)
        try:
            _sql(connection, "CREATE SCHEMA {}", schema)
            _fill(connection, path)
        except BackupError:
            _sql(connection, "DROP SCHEMA {} CASCADE", schema)
            _sql(connection, "ALTER SCHEMA {} RENAME TO {}", aside, target)
            raise
        if schema != target:
            _sql(connection, "ALTER SCHEMA {} RENAME TO {}", schema, target)


def _fill(connection: Connection, path: Path) -> None:
    listed = path.with_name(f".{path.name}.list")
    contents = _run("pg_restore", ["--list", str(path)], connection)
    # the schema is made already: a dump of `public` cannot make it
    wanted = [line for line in contents.splitlines() if not re.match(r"\d+; \d+ \d+ SCHEMA ", line)]
    try:
        listed.write_text("\n".join(wanted), "utf-8")
        shape = ["--single-transaction", "--exit-on-error", "--no-owner", "--no-privileges"]
        place = f"--dbname={_address(connection)}"
        _run("pg_restore", [*shape, f"--use-list={listed}", place, str(path)], connection)
    finally:
        listed.unlink(missing_ok=True)


def _has_schema(connection: Connection, name: str) -> bool:
    asked = text("SELECT 1 FROM pg_namespace WHERE nspname = :name")
    return connection.execute(asked, {"name": name}).scalar() is not None


def _sql(connection: Connection, form: str, *names: str) -> None:
    quoted = [connection.dialect.identifier_preparer.quote_identifier(name) for name in names]
    connection.exec_driver_sql(form.format(*quoted).replace("%", "%%"))


def _hash_month(lines: Iterator[str], columns: tuple[str, ...], hashes: MonthHashes, asked: str) -> int:
    place = [columns.index(name) for name in READINGS]
    split = [line.split("\t") for line in _body(lines, asked)]
    channel = np.array([row[place[0]] for row in split], dtype=np.int64)
    t_ms = np.array([row[place[1]] for row in split], dtype=np.int64)
    value = np.array([float(row[place[2]]) for row in split])
    order = np.lexsort((t_ms, channel))
    hashes.add(channel[order], t_ms[order], value[order])
    return len(split)


def _body(lines: Iterator[str], asked: str) -> Iterator[str]:
    for line in lines:
        if line == END:
            return
        yield line
    raise BackupError(asked, "a whole dump", "one that ends within a table")


@contextmanager
def _script(path: Path, asked: str) -> Iterator[Iterator[str]]:
    """The rows of a dump as text, table after table."""
    command = [_program("pg_restore"), "--data-only", "--file=-", str(path)]
    with subprocess.Popen(  # noqa: S603  (PostgreSQL's own program, arguments of our own)
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as child:
        yield _lines(child.stdout)
        said = child.stderr.read() if child.stderr else ""
    if child.returncode:
        raise BackupError(asked, "a whole dump", _last_line(said))


def _lines(stream: IO[str] | None) -> Iterator[str]:
    for line in stream or ():
        yield line.rstrip("\n")


def _run(name: str, arguments: list[str], connection: Connection) -> str:
    """Run one of PostgreSQL's programs on the database of this connection; what it printed."""
    raw: Any = connection.connection.driver_connection
    environment = {**os.environ, "PGPASSWORD": raw.info.password or ""}
    place = [] if name == "pg_restore" else [f"--dbname={_address(connection)}"]
    done = subprocess.run(  # noqa: S603  (PostgreSQL's own program, arguments of our own)
        [_program(name), *place, *arguments],
        check=False,
        env=environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
    )
    if done.returncode:
        raise BackupError(f"run {name}", "it to succeed", _last_line(done.stderr))
    return done.stdout


def _address(connection: Connection) -> str:
    """The address of the database in libpq's words, without its password: others may read the arguments."""
    from psycopg.conninfo import make_conninfo

    raw: Any = connection.connection.driver_connection
    known: dict[str, Any] = raw.info.get_parameters()
    return make_conninfo("", **{key: known[key] for key in ADDRESS if key in known})


def _program(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        raise BackupError("back up PostgreSQL", f"its program {name} (the package postgresql-client)", "none")
    return found


def _last_line(said: str) -> str:
    return (said.strip().splitlines() or ["no word"])[-1][:160]
