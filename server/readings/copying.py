"""Many new rows into PostgreSQL at once: binary COPY into a temporary table, and from there what is new.

Source: PostgreSQL manual, COPY, "Binary Format".
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

FEWEST = 1000  # fewer rows go quicker as one statement
HEAD, TAIL = b"PGCOPY\n\xff\r\n\x00" + bytes(8), b"\xff\xff"
BINARY = {"bigint": (">i8", 8), "integer": (">i4", 4), "double precision": (">f8", 8)}


def copy_new(
    connection: Connection,
    table: str,
    columns: Sequence[str],
    types: Sequence[str],
    rows: Sequence[tuple[float, ...]],
) -> int:
    """Insert the rows whose keys are not there yet, none of them with a null; give how many that were.

    Raises DBAPIError as a statement of SQLAlchemy would.
    """
    from psycopg import Error

    raw: Any = connection.connection.driver_connection
    staging, names = f"staging_{table}", ",".join(columns)
    shape = ", ".join(f"{name} {kind}" for name, kind in zip(columns, types, strict=True))
    fresh = f"CREATE TEMP TABLE IF NOT EXISTS {staging} ({shape}) ON COMMIT DELETE ROWS"
    put = f"INSERT INTO {table} ({names}) SELECT {names} FROM {staging} ON CONFLICT DO NOTHING"  # noqa: S608  (names of our own tables)
    try:
        with raw.cursor() as cursor:
            # it may hold what an earlier part of this transaction has put in
            cursor.execute(f"{fresh}; DELETE FROM {staging}")  # noqa: S608  (likewise)
            with cursor.copy(f"COPY {staging} ({names}) FROM STDIN (FORMAT BINARY)") as way_in:
                way_in.write(binary(types, rows))
            cursor.execute(put)
            return int(cursor.rowcount)
    except Error as error:
        if connection.dialect.is_disconnect(error, raw, None):  # type: ignore[arg-type]  # its class has no name
            connection.invalidate(error)
        # as a statement of SQLAlchemy's own would: those above know its classes
        raise DBAPIError.instance(put, None, error, Error, dialect=connection.dialect) from error


def binary(types: Sequence[str], rows: Sequence[tuple[float, ...]]) -> bytes:
    """The rows in COPY's binary form: each field with its length before it, big end first."""
    fields: list[tuple[str, str]] = [("fields", ">i2")]
    for place, kind in enumerate(types):
        fields += [(f"size_{place}", ">i4"), (f"value_{place}", BINARY[kind][0])]
    whole = np.empty(len(rows), dtype=np.dtype(fields))
    whole["fields"] = len(types)
    for place, (kind, column) in enumerate(zip(types, zip(*rows, strict=True), strict=True)):
        whole[f"size_{place}"], whole[f"value_{place}"] = BINARY[kind][1], column
    return HEAD + whole.tobytes() + TAIL
