"""A schema that is lent again has nothing of the test before; one whose shape was changed is not lent."""

import pytest
from sqlalchemy import Engine, text

from server.readings.months import ensure_months
from server.readings.write import Batch, insert_new
from tests.fakes.lent import Schema
from tests.readings.gauges import DAY, JAN_1_MS, hang

pytestmark = pytest.mark.parametrize("database_url", ["postgres"], indirect=True)
COUNTED = "SELECT (SELECT count(*) FROM reading) + (SELECT count(*) FROM door) + (SELECT count(*) FROM site)"
MONTHS = "SELECT count(*) FROM pg_inherits WHERE inhparent = to_regclass('reading')"


def asked(engine: Engine, sql: str) -> int:
    with engine.connect() as connection:
        return int(connection.execute(text(sql)).scalar_one())


def test_rows_months_and_numbers_go(engine: Engine, database_url: str) -> None:
    schema = Schema(database_url)
    (first,) = hang(engine, ["%RH"])
    ensure_months(engine, [JAN_1_MS, JAN_1_MS + 40 * DAY], set())
    with engine.begin() as connection:
        insert_new(connection, Batch(readings=[(first, JAN_1_MS, 1.0)], instants=()))
    assert (asked(engine, COUNTED), asked(engine, MONTHS)) == (3, 2)
    assert schema.is_as_made_once_emptied()
    assert (asked(engine, COUNTED), asked(engine, MONTHS)) == (0, 0)
    assert hang(engine, ["%RH"]) == [first]


@pytest.mark.parametrize(
    "changed",
    [
        "ALTER TABLE door ADD COLUMN hinges integer",
        "ALTER TABLE alert_event DISABLE TRIGGER USER",
        "DROP TABLE rollup_day",
        "CREATE TABLE more (id integer)",
        "UPDATE alembic_version SET version_num = '9999'",
    ],
)
def test_a_changed_one_is_seen(engine: Engine, database_url: str, changed: str) -> None:
    schema = Schema(database_url)
    with engine.begin() as connection:
        connection.execute(text(changed))
    assert not schema.is_as_made_once_emptied()


def test_one_that_a_service_holds_is_not_lent_again(engine: Engine, database_url: str) -> None:
    schema = Schema(database_url)
    with engine.connect() as connection:
        connection.execute(text("SELECT pg_advisory_lock(7, hashtext(current_schema()))"))
        assert not schema.is_as_made_once_emptied()


def test_one_that_is_held_is_not_lent_again(engine: Engine, database_url: str) -> None:
    schema = Schema(database_url)
    hang(engine, ["%RH"])
    with engine.connect() as connection:
        connection.execute(text("LOCK TABLE door IN ACCESS EXCLUSIVE MODE"))
        assert not schema.is_as_made_once_emptied()
