"""One service a folder and a database: locks that end with their process, and say whose they are."""

import fcntl
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Connection, Engine, func, select, text

from server.errors import SettingsError

LOCK = 748_119  # any number of our own, the same in every hangtrue
HOLDER = (
    "SELECT a.application_name FROM pg_locks l JOIN pg_stat_activity a ON a.pid = l.pid "
    "WHERE l.locktype = 'advisory' AND l.granted AND l.classid::bigint = :lock "
    "AND l.objid::bigint = (hashtext(current_schema())::bigint + 4294967296) % 4294967296"
)


@contextmanager
def only_service(state_dir: Path) -> Iterator[None]:
    """Hold the lock of `state_dir` while the block runs.

    Raises SettingsError when a service runs there already, naming its process, or the folder can't be used.
    """
    asked = f"start in {state_dir}"
    try:
        state_dir.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        raise SettingsError(asked, "a folder that can be written", error.strerror or "an error") from None
    with _locked(state_dir / "service.lock", asked=asked, needed="a folder that no other service uses"):
        yield


@contextmanager
def only_on(engine: Engine) -> Iterator[None]:
    """Hold the lock of a database while the block runs, whatever folder the service has.

    Raises SettingsError when another service has it, naming its process. On PostgreSQL the lock is of a
    connection: it is asked for at the start, and not anew when the server was restarted meanwhile.
    Source: PostgreSQL manual, advisory locks.
    """
    asked, needed = "open the database", "a database that no other service uses"
    if engine.dialect.name == "sqlite":
        path = Path(engine.url.database or "")
        with _locked(path.with_name(f"{path.name}.lock"), asked=asked, needed=needed):
            yield
        return
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        name = f"hangtrue {os.getpid()} on {socket.gethostname()}"[:63]  # as much as the server keeps
        connection.execute(select(func.set_config("application_name", name, False)))  # noqa: FBT003  (SQL's own)
        key = func.hashtext(func.current_schema())
        if not connection.execute(select(func.pg_try_advisory_lock(LOCK, key))).scalar():
            raise SettingsError(asked, needed, _holder(connection))
        try:
            yield
        finally:
            connection.invalidate()  # closed, not given back to the pool: the lock goes with it


def _holder(connection: Connection) -> str:
    found = connection.execute(text(HOLDER), {"lock": LOCK}).scalar() or "hangtrue ? on ?"
    number, _, host = str(found).removeprefix("hangtrue ").partition(" on ")
    return f"the service with process number {number} on {host}, which uses it"


@contextmanager
def _locked(path: Path, *, asked: str, needed: str) -> Iterator[None]:
    try:
        handle = path.open("a+")
    except OSError as error:
        raise SettingsError(asked, "a folder that can be written", error.strerror or "an error") from None
    with handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            handle.seek(0)
            came = f"the service with process number {handle.read(20).strip() or '?'}, which runs there"
            raise SettingsError(asked, needed, came) from None
        handle.truncate(0)
        handle.write(str(os.getpid()))
        handle.flush()
        yield
