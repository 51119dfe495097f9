"""The driver's own cursor inside a transaction of SQLAlchemy, with errors of its classes."""

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.exc import DBAPIError, IntegrityError

from server.readings.raw import rows_of, run, run_each
from server.readings.tables import DirtyDay

FRESH = "INSERT INTO dirty_day (channel_id, day, touched) VALUES (1, {}, 5)"


def days(engine: Engine) -> list[int]:
    """The days that are marked."""
    with engine.connect() as connection:
        return list(connection.scalars(select(DirtyDay.day).order_by(DirtyDay.day)))


def mark(engine: Engine) -> str:
    """How the driver writes a parameter."""
    return "%s" if engine.dialect.name == "postgresql" else "?"


def test_a_statement_begins_a_transaction_as_others_do(engine: Engine) -> None:
    with engine.connect() as connection:
        assert run(connection, FRESH.format(7)) == 1
        assert connection.in_transaction()
        connection.rollback()
        assert run(connection, FRESH.format(8)) == 1
        connection.commit()
        assert run(connection, FRESH.format(9)) == 1
    assert days(engine) == [8]


def test_a_statement_a_row_counts_them_all(engine: Engine) -> None:
    one = mark(engine)
    statement = f"INSERT INTO dirty_day (channel_id, day, touched) VALUES ({one}, {one}, {one})"  # noqa: S608  (marks alone)
    with engine.begin() as connection:
        assert run_each(connection, statement, [(1, 7, 5), (1, 8, 5), (2, 7, 5)]) == 3
        query = f"SELECT day FROM dirty_day WHERE channel_id = {one} ORDER BY day"  # noqa: S608  (likewise)
        found = rows_of(connection, query, (1,))
    assert found == [(7,), (8,)]


def test_errors_are_of_sqlalchemy_s_classes_and_name_the_statement(engine: Engine) -> None:
    with engine.connect() as connection:
        run(connection, FRESH.format(7))
        with pytest.raises(IntegrityError, match="INSERT INTO dirty_day"):
            run(connection, FRESH.format(7))
    with engine.connect() as connection, pytest.raises(DBAPIError, match="SELECT nothing"):
        rows_of(connection, "SELECT nothing FROM nowhere")
    assert days(engine) == []
