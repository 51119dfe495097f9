"""PostgreSQL's dump: read from the file itself, and refused when it ends early."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine, text

from server.backup.contents import without_left_out
from server.backup.postgres_dump import dump, read_dump, restore_dump, schema_of
from server.backup.refusals import BackupError
from server.database import open_engine
from server.schema import upgrade
from tests.backup.yard import contents, fill
from tests.fakes.databases import POSTGRES, own_schema
from tests.refusals import refuses


@pytest.fixture
def postgres(tmp_path: Path) -> Iterator[Engine]:
    """A PostgreSQL database with a yard in it, in a schema whose name has to be quoted."""
    if not POSTGRES:
        reason = "set HANGTRUE_TEST_POSTGRES to a server's URL to run this"
        pytest.fail(reason) if os.environ.get("CI") == "true" else pytest.skip(reason)
    with own_schema(POSTGRES, f"{tmp_path.name}-Yard") as url:
        upgrade(url)
        engine = open_engine(url)
        fill(engine)
        yield engine
        engine.dispose()


def test_a_dump_is_read_without_a_database(postgres: Engine, tmp_path: Path) -> None:
    wanted = dump(postgres, tmp_path / "x.dump")
    assert wanted == without_left_out(contents(postgres))
    assert read_dump(tmp_path / "x.dump", asked="read") == wanted
    assert sum(len(months) for months in wanted.readings.values()) == 6


def test_what_comes_during_the_dump_is_in_neither(postgres: Engine, tmp_path: Path) -> None:
    """Dump, counts and hashes are of one moment, whatever is committed meanwhile."""
    from sqlalchemy import event

    def more(_connection: object, _cursor: object, statement: str, *_: object) -> None:
        if "pg_export_snapshot" in statement:
            with postgres.begin() as connection:
                connection.execute(text("INSERT INTO site (name, zone) VALUES ('other', 'Europe/London')"))

    event.listen(postgres, "after_cursor_execute", more)
    wanted = dump(postgres, tmp_path / "x.dump")
    event.remove(postgres, "after_cursor_execute", more)
    assert wanted.rows["site"] == 1
    assert contents(postgres).rows["site"] == 2
    assert read_dump(tmp_path / "x.dump", asked="read") == wanted


@pytest.mark.parametrize("share", [0.2, 0.6, 0.95])
def test_a_dump_that_was_cut_is_refused(postgres: Engine, tmp_path: Path, share: float) -> None:
    path = tmp_path / "x.dump"
    dump(postgres, path)
    path.write_bytes(path.read_bytes()[: int(share * path.stat().st_size)])
    with refuses(BackupError, asked="read", needed="a whole dump", came=""):
        read_dump(path, asked="read")


def test_a_failed_restore_leaves_all_as_it_was(postgres: Engine, tmp_path: Path) -> None:
    path = tmp_path / "x.dump"
    dump(postgres, path)
    before = contents(postgres)
    path.write_bytes(path.read_bytes()[: int(0.6 * path.stat().st_size)])
    schema = schema_of(postgres)
    postgres.dispose()
    with refuses(BackupError, asked="run pg_restore", needed="succeed", came=""):
        restore_dump(postgres, path, schema=schema, aside=f"{schema}_before_now")
    postgres.dispose()
    assert contents(postgres) == before


def test_a_schema_that_is_not_there_is_a_sentence(postgres: Engine) -> None:
    with postgres.connect() as connection:
        connection.execute(text("SET search_path = nowhere"))
        connection.commit()
        assert connection.execute(text("SELECT current_schema()")).scalar() is None
    url = postgres.url.update_query_dict({"options": "-csearch_path=nowhere"})
    engine = open_engine(url.render_as_string(hide_password=False))
    with refuses(BackupError, asked="find the tables", needed="a schema", came="none"):
        schema_of(engine)
    engine.dispose()
