"""The driver's own cursor, for the few statements that every commit runs: they pay no toll a call.

An error comes out as the class of SQLAlchemy that stands for it, for those above know no driver.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError


@contextmanager
def cursor_of(connection: Connection, statement: str) -> Iterator[Any]:
    """A cursor of the driver inside the connection's transaction; `statement` is what an error names.

    Raises DBAPIError as a statement of SQLAlchemy would.
    """
    if not connection.in_transaction():
        connection.begin()  # as its own statements do by themselves; else its commit would be of nothing
    dialect, raw = connection.dialect, connection.connection.driver_connection
    errors: Any = dialect.loaded_dbapi
    cursor = raw.cursor()  # type: ignore[union-attr]  # it is there while the transaction is
    try:
        yield cursor
    except errors.Error as error:
        if dialect.is_disconnect(error, raw, None):
            connection.invalidate(error)
        raise DBAPIError.instance(statement, None, error, errors.Error, dialect=dialect) from error
    finally:
        cursor.close()


def run(connection: Connection, statement: str, parameters: Sequence[Any] = ()) -> int:
    """Run a statement once; give how many rows it changed."""
    with cursor_of(connection, statement) as cursor:
        return int(cursor.execute(statement, parameters).rowcount)


def run_each(connection: Connection, statement: str, rows: Sequence[Sequence[Any]]) -> int:
    """Run a statement once a row; give how many rows it changed."""
    with cursor_of(connection, statement) as cursor:
        cursor.executemany(statement, rows)
        return int(cursor.rowcount)


def rows_of(connection: Connection, statement: str, parameters: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
    """The rows that a query gives."""
    with cursor_of(connection, statement) as cursor:
        found: list[tuple[Any, ...]] = cursor.execute(statement, parameters).fetchall()
        return found
