"""Moving to another database: from each kind to each, all or nothing."""

import os
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from sqlalchemy import Engine, insert, text

from server.backup.contents import Contents
from server.backup.moving import move
from server.backup.refusals import NotMovedError
from server.database import open_engine, session_of
from server.readings.sessions import put_downlink
from server.schema import all_tables, differences
from tests.backup.yard import NOW, contents, fill, other_database
from tests.fakes.databases import POSTGRES, own_schema
from tests.refusals import refuses


@pytest.fixture(params=["to sqlite", "to postgres"])
def target_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """An empty place for a database of either kind."""
    if request.param == "to sqlite":
        yield f"sqlite:///{tmp_path / 'moved.db'}"
        return
    if not POSTGRES:
        reason = "set HANGTRUE_TEST_POSTGRES to a server's URL to run this"
        pytest.fail(reason) if os.environ.get("CI") == "true" else pytest.skip(reason)
    with own_schema(POSTGRES, f"{tmp_path.name}_moved") as url:
        yield url


def a_yard(engine: Engine) -> Contents:
    """A yard with rows in tables that are hard to copy: chained to themselves, bytes, moments."""
    fill(engine)
    tables = all_tables().tables
    record = {"body": "{}", "sealed": NOW, "by": "keeper"}
    with session_of(engine) as session:
        session.execute(insert(tables["trial_record"]), [{"seal": "b" * 64, "amends": None, **record}])
        session.execute(insert(tables["trial_record"]), [{"seal": "a" * 64, "amends": "b" * 64, **record}])
        put_downlink(session, "hangtrue/v1/saltmarsh-yard/north/ack", b"\x00\xff", rev=3, now=NOW)
    return contents(engine)


def test_all_of_it_is_there(engine: Engine, target_url: str) -> None:
    before = a_yard(engine)
    assert move(engine, target_url) == before
    target = open_engine(target_url)
    assert contents(target) == before
    assert differences(target) == []
    for name in all_tables().tables:
        if name != "reading":
            assert everything(target, name) == everything(engine, name), name
    target.dispose()
    assert contents(engine) == before


def everything(engine: Engine, name: str) -> list[tuple[object, ...]]:
    """All rows of a table, in an order of their own."""
    with engine.connect() as connection:
        found = connection.execute(all_tables().tables[name].select())
        return sorted((tuple(row) for row in found), key=repr)


def test_rows_are_numbered_on(engine: Engine, target_url: str) -> None:
    a_yard(engine)
    move(engine, target_url)
    target = open_engine(target_url)
    with target.begin() as connection:
        connection.execute(text("INSERT INTO site (name, zone) VALUES ('other', 'Europe/London')"))
        assert connection.execute(text("SELECT max(id) FROM site")).scalar() == 2
    target.dispose()


def test_a_target_with_rows_is_refused(engine: Engine, target_url: str) -> None:
    a_yard(engine)
    move(engine, target_url)
    with refuses(NotMovedError, asked="move", needed="an empty database", came="rows"):
        move(engine, target_url)


def test_what_does_not_agree_is_not_moved(engine: Engine, target_url: str) -> None:
    """A trigger in the target that swallows a row: found by the counts, and nothing stays."""
    from server.schema import upgrade

    fill(engine, days=1)
    upgrade(target_url)
    target = open_engine(target_url)
    with target.begin() as connection:
        for line in SWALLOW[target.dialect.name]:
            connection.exec_driver_sql(line)
    with refuses(NotMovedError, asked="move", needed="the same rows", came="rows of calibration"):
        move(engine, target_url)
    assert set(contents(target).rows.values()) == {0}
    target.dispose()


SWALLOW = {
    "sqlite": [
        "CREATE TRIGGER swallow BEFORE INSERT ON calibration BEGIN SELECT RAISE(IGNORE); END",
    ],
    "postgresql": [
        "CREATE FUNCTION swallow() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RETURN NULL; END $$",
        "CREATE TRIGGER swallow BEFORE INSERT ON calibration FOR EACH ROW EXECUTE FUNCTION swallow()",
    ],
}


def test_a_target_that_does_not_answer_is_a_sentence(engine: Engine, tmp_path: Path) -> None:
    from server.errors import SettingsError

    with ExitStack() as held:
        held.enter_context(refuses(SettingsError, asked="open the database", needed="answers", came=""))
        move(engine, f"sqlite:///{tmp_path}")


def test_other_databases_are_of_the_same_kind(database_url: str, tmp_path: Path) -> None:
    with other_database(database_url, tmp_path, "other") as url:
        assert url != database_url
        assert url.split(":")[0] == database_url.split(":")[0]
