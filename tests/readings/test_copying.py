"""Binary COPY: the bytes of the manual, what is new counted, and errors of the usual classes."""

import struct

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.exc import DataError, IntegrityError, OperationalError

from server.readings.copying import FEWEST, binary, copy_new
from server.readings.months import ensure_months
from server.readings.write import Batch, Row, insert_new, stored_stamps, stored_values
from tests.readings.gauges import JAN_1_MS

INSTANT = ("journal_id", "seq", "t_ms", "clock")
COLUMNS, TYPES = ("channel_id", "t_ms", "value"), ("bigint", "bigint", "double precision")


def test_the_bytes_are_those_of_the_manual() -> None:
    """By struct: 11 bytes of signature, flags, no extension; each row its fields; a trailer of -1."""
    head = struct.pack("!11sii", b"PGCOPY\n\xff\r\n\0", 0, 0)
    row = struct.pack("!hiqiqid", 3, 8, 7, 8, JAN_1_MS, 8, -0.25)
    assert binary(TYPES, [(7, JAN_1_MS, -0.25)]) == head + row + struct.pack("!h", -1)
    whole = struct.pack("!hiiiq", 2, 4, -3, 8, 2**53 - 1)
    assert binary(("integer", "bigint"), [(-3, 2**53 - 1)]) == head + whole + struct.pack("!h", -1)


@pytest.fixture
def ready(engine: Engine) -> Engine:
    """The database with the month of the tests in it."""
    ensure_months(engine, [JAN_1_MS], set())
    return engine


def rows_of(count: int) -> list[Row]:
    return [(n % 8, JAN_1_MS + n // 8, 0.1 * n) for n in range(count)]


@pytest.mark.parametrize("count", [FEWEST - 1, FEWEST, 3 * FEWEST])
def test_what_is_new_is_stored_and_counted(ready: Engine, count: int) -> None:
    rows = rows_of(count)
    instants = [(1, n, JAN_1_MS + n, 1) for n in range(count)]
    with ready.begin() as connection:
        assert insert_new(connection, Batch(readings=rows, instants=instants)) == (count, count)
        more: list[Row] = [(row[0], row[1], 9.0) for row in rows] + [(99, JAN_1_MS, 1.0)]
        assert insert_new(connection, Batch(readings=more, instants=instants)) == (1, 0)
    with ready.connect() as connection:
        assert stored_values(connection, [row[:2] for row in rows]) == {row[:2]: row[2] for row in rows}
        assert len(stored_stamps(connection, [row[:2] for row in instants])) == count


def test_what_is_rolled_back_leaves_nothing_behind(ready: Engine) -> None:
    """A savepoint that is rolled back takes the temporary table with it; the next COPY makes it anew."""
    rows = rows_of(2 * FEWEST)
    with ready.begin() as connection:
        savepoint = connection.begin_nested()
        insert_new(connection, Batch(readings=rows, instants=()))
        savepoint.rollback()
        assert insert_new(connection, Batch(readings=rows[:FEWEST], instants=())) == (FEWEST, 0)
    with ready.begin() as connection:
        assert connection.execute(text("SELECT count(*) FROM reading")).scalar() == FEWEST
        assert insert_new(connection, Batch(readings=rows[FEWEST:], instants=())) == (FEWEST, 0)


def test_errors_are_of_the_usual_classes(ready: Engine) -> None:
    """The collector tells a store that fails from a pack that is at fault by them."""
    if ready.dialect.name == "sqlite":
        return
    rows = rows_of(FEWEST)
    with ready.connect() as connection, pytest.raises(IntegrityError):
        # no month of 1970: a row without a partition
        copy_new(connection, "reading", COLUMNS, TYPES, [(1, 5, 1.0)])
    with ready.connect() as connection, pytest.raises(DataError):
        copy_new(connection, "instant", INSTANT, ("bigint",) * 4, [(1, 1, JAN_1_MS, 2**40)])
    with ready.connect() as connection:
        ended = connection.execute(text("SELECT pg_backend_pid()")).scalar()
        with ready.connect() as other:
            other.execute(text("SELECT pg_terminate_backend(:pid)"), {"pid": ended})
        with pytest.raises(OperationalError):
            copy_new(connection, "reading", COLUMNS, TYPES, rows)
    with ready.connect() as connection:
        assert copy_new(connection, "reading", COLUMNS, TYPES, rows) == FEWEST
