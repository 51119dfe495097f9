"""Several collectors on one broker and database: whose turn it is, and one that runs beside the service."""

import logging
import threading
from collections.abc import Callable

from sqlalchemy import Connection, Engine, func, make_url, select
from sqlalchemy.exc import DBAPIError

from server.errors import SettingsError

log = logging.getLogger("hangtrue.service")
LOCK = 748_120  # any number of our own, the same in every hangtrue
LOOK_S = 5.0


def check_shared(database_url: str) -> None:
    """Raise SettingsError for a database that has one writer alone."""
    if make_url(database_url).get_backend_name() != "postgresql":
        asked, needed = "share the readings among collectors", "PostgreSQL (hangtrue db move)"
        raise SettingsError(asked, needed, "SQLite, which has one writer")


class Turn:
    """Which collector reads what nodes say of themselves: the one whose connection holds a lock.

    The database frees it when that process ends, however it does; the next in line has it `LOOK_S` later.
    Source: PostgreSQL manual, advisory locks.
    """

    def __init__(self, engine: Engine, hear: Callable[[bool], None], *, every_s: float = LOOK_S) -> None:
        self._engine, self._hear, self._every_s = engine, hear, every_s
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="turn")

    def start(self) -> None:
        """Begin to wait for it."""
        self._thread.start()

    def stop(self) -> None:
        """Let it go."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join()

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                with self._engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
                    self._hold(connection)
            except DBAPIError as fault:
                log.warning("whose turn it is cannot be told (%s)", str(fault.orig)[:120])
            self._say(is_ours=False)
            self._stopping.wait(self._every_s)

    def _say(self, *, is_ours: bool) -> None:
        self._hear(is_ours)

    def _hold(self, connection: Connection) -> None:
        """Ask for the lock until it is ours, and look that the connection which holds it lives."""
        schema_key = func.hashtext(func.current_schema())
        is_ours = False
        try:
            while not self._stopping.is_set():
                # asked again it counts up, so it is asked for once; then only whether the server is there
                asked = select(1) if is_ours else select(func.pg_try_advisory_lock(LOCK, schema_key))
                is_ours = bool(connection.execute(asked).scalar())
                self._say(is_ours=is_ours)
                self._stopping.wait(self._every_s)
        finally:
            # closed, not given back to the pool: the lock goes with it
            connection.invalidate()
