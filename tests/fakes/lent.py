"""A PostgreSQL schema that many tests have one after another: emptied in between, and looked at."""

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Connection, text
from sqlalchemy.exc import DBAPIError

from server.database import open_engine

TABLES = """
SELECT relname FROM pg_class
WHERE relnamespace = current_schema()::regnamespace AND relkind IN ('r', 'p') AND relname <> 'alembic_version'
"""
MONTHS = "SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = to_regclass('reading')"
NUMBERS_ANEW = """
SELECT setval(format('%I.%I', schemaname, sequencename)::regclass, start_value, false)
FROM pg_sequences WHERE schemaname = current_schema() AND last_value IS NOT NULL
"""
# A service's lock on a database is of its schema; a session that was just ended may still hold it.
HELD = """
SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND pid <> pg_backend_pid()
AND objid::bigint = (hashtext(current_schema())::bigint & 4294967295)
"""
SHAPE = r"""
WITH here AS (SELECT * FROM pg_class WHERE relnamespace = current_schema()::regnamespace)
SELECT md5(string_agg(one, ';' ORDER BY one)) FROM (
    SELECT concat_ws(' ', relname, relkind) AS one FROM here
    UNION ALL SELECT concat_ws(' ', relname, attname, atttypid, attnotnull)
        FROM pg_attribute JOIN here ON here.oid = attrelid WHERE attnum > 0
    UNION ALL SELECT concat_ws(' ', relname, tgname, tgenabled)
        FROM pg_trigger JOIN here ON here.oid = tgrelid WHERE NOT tgisinternal
    UNION ALL SELECT concat_ws(' ', conname, contype, convalidated)
        FROM pg_constraint WHERE connamespace = current_schema()::regnamespace
    UNION ALL SELECT concat_ws(' ', proname, prosrc)
        FROM pg_proc WHERE pronamespace = current_schema()::regnamespace
    UNION ALL SELECT nspname FROM pg_namespace WHERE starts_with(nspname, current_schema() || '_before_')
    UNION ALL SELECT version_num FROM alembic_version
) AS told
"""


class Schema:
    """A schema of this version, and what it looked like when it was made."""

    def __init__(self, url: str) -> None:
        self.url = url
        with self._connected() as connection:
            self._shape = _shape(connection)
            self._tables = sorted(connection.execute(text(TABLES)).scalars())

    def is_as_made_once_emptied(self) -> bool:
        """Take out rows, months and numbers; whether nothing else is left of a test."""
        try:
            with self._connected() as connection:
                self._empty(connection)
                is_held = connection.execute(text(HELD)).scalar_one()
                return not is_held and _shape(connection) == self._shape
        except DBAPIError:
            return False  # held by something that has not ended, or a table is gone

    @contextmanager
    def _connected(self) -> Iterator[Connection]:
        engine = open_engine(self.url)
        try:
            with engine.begin() as connection:
                yield connection
        finally:
            engine.dispose()

    def _empty(self, connection: Connection) -> None:
        # rows that nothing may change go too; so do those that others point at, in any order
        connection.execute(text("SET LOCAL session_replication_role = replica"))
        connection.execute(text("SET LOCAL lock_timeout = '2s'"))
        for month in connection.execute(text(MONTHS)).scalars().all():
            connection.execute(text(f"DROP TABLE {month}"))
        asked = [f"SELECT '{one}' WHERE EXISTS (SELECT 1 FROM {one})" for one in self._tables]  # noqa: S608  (names of the catalogue)
        for one in connection.execute(text(" UNION ALL ".join(asked))).scalars().all():
            connection.execute(text(f"DELETE FROM {one}"))  # noqa: S608  (the same)
        connection.execute(text(NUMBERS_ANEW))


def _shape(connection: Connection) -> str:
    """A digest of a schema's tables, columns, triggers, functions and constraints, and of its revision."""
    return str(connection.execute(text(SHAPE)).scalar_one())
