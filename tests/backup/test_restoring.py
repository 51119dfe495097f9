"""Restoring: elsewhere, in place, refused; and after it nothing is missing that a node still has."""

import sqlite3
from contextlib import closing
from datetime import timedelta
from pathlib import Path

from sqlalchemy import Engine, make_url, text

from server.backup.contents import without_left_out
from server.backup.making import back_up
from server.backup.manifest import sha256_of
from server.backup.refusals import BackupError, NotRestoredError
from server.backup.restoring import restore
from server.database import open_engine
from server.schema import differences
from tests.backup.node import node_in, stored
from tests.backup.yard import NOW, contents, fill, more, other_database
from tests.fakes.databases import drop_schemas
from tests.intake.yard import ARRIVAL_MS, enrol_world
from tests.refusals import refuses

LATER = NOW + timedelta(hours=3)
HOUR_MS = 3_600_000
TRIGGERS = {
    "sqlite": "SELECT count(*) FROM sqlite_master WHERE type = 'trigger' AND name LIKE 'alert_event%'",
    "postgresql": "SELECT count(*) FROM pg_trigger "
    "WHERE tgrelid = to_regclass('alert_event') AND tgname LIKE '%stays'",
}


def read_again(url: str) -> Engine:
    """The database, opened anew."""
    return open_engine(url)


def drop_aside(url: str, aside: str | None) -> None:
    """On PostgreSQL what was put aside would outlive the test."""
    if aside is not None and url.startswith("postgresql"):
        admin = open_engine(url)
        with admin.begin() as connection:
            connection.execute(text(f'DROP SCHEMA "{aside}" CASCADE'))
        admin.dispose()


def test_in_place_it_is_as_it_was(engine: Engine, database_url: str, tmp_path: Path) -> None:
    channels = fill(engine)
    place, made = back_up(engine, tmp_path / "kept", now=NOW)
    more(engine, channels)
    later = contents(engine)
    engine.dispose()
    done = restore(database_url, place, now=LATER)
    again = read_again(database_url)
    assert contents(again) == made.contents
    assert contents(again).rows["reading"] == later.rows["reading"] - 3
    assert differences(again) == []
    again.dispose()
    assert done.manifest == made
    assert done.aside is not None
    drop_aside(database_url, done.aside)


def test_what_stood_before_is_kept_whole(engine: Engine, database_url: str, tmp_path: Path) -> None:
    channels = fill(engine)
    place, _ = back_up(engine, tmp_path / "kept", now=NOW)
    more(engine, channels)
    before = contents(engine)
    engine.dispose()
    aside = restore(database_url, place, now=LATER).aside or ""
    url = (
        f"sqlite:///{aside}"
        if database_url.startswith("sqlite")
        else make_url(database_url)
        .update_query_dict({"options": f"-csearch_path={aside}"})
        .render_as_string(hide_password=False)
    )
    kept = read_again(url)
    assert contents(kept) == before
    kept.dispose()
    drop_aside(database_url, aside)


def test_rows_are_numbered_on_and_what_may_not_change_does_not(
    engine: Engine, database_url: str, tmp_path: Path
) -> None:
    """Sequences and triggers come back, too."""
    fill(engine, days=1)
    place, _ = back_up(engine, tmp_path / "kept", now=NOW)
    engine.dispose()
    aside = restore(database_url, place, now=LATER).aside
    again = read_again(database_url)
    with again.begin() as connection:
        connection.execute(text("INSERT INTO site (name, zone) VALUES ('other', 'Europe/London')"))
        assert connection.execute(text("SELECT max(id) FROM site")).scalar() == 2
        assert (connection.execute(text(TRIGGERS[again.dialect.name])).scalar() or 0) > 0
    again.dispose()
    drop_aside(database_url, aside)


def test_elsewhere_under_another_name(engine: Engine, database_url: str, tmp_path: Path) -> None:
    """SQLite: a new file in a new folder. PostgreSQL: refused while the schema it comes from is there."""
    fill(engine)
    place, made = back_up(engine, tmp_path / "kept", now=NOW)
    with other_database(database_url, tmp_path, "yard") as other:
        if database_url.startswith("postgresql"):
            with refuses(BackupError, asked="restore", needed="beside", came="is there"):
                restore(other, place, now=LATER)
            return
        assert restore(other, place, now=LATER).aside is None
        again = read_again(other)
        assert contents(again) == made.contents
        again.dispose()


def test_a_dump_goes_into_another_schema_once_its_own_is_gone(
    engine: Engine, database_url: str, tmp_path: Path
) -> None:
    fill(engine)
    place, made = back_up(engine, tmp_path / "kept", now=NOW)
    if engine.dialect.name == "sqlite":
        assert made.schema == ""
        return
    engine.dispose()
    with other_database(database_url, tmp_path, "yard") as other:
        admin = open_engine(other)
        drop_schemas(admin, made.schema)
        restore(other, place, now=LATER)
        again = read_again(other)
        assert contents(again) == made.contents
        again.dispose()
        with admin.begin() as connection:  # the fixture drops it
            connection.execute(text(f'CREATE SCHEMA "{made.schema}"'))
        admin.dispose()


def test_a_spoilt_back_up_touches_nothing(engine: Engine, database_url: str, tmp_path: Path) -> None:
    fill(engine)
    place, made = back_up(engine, tmp_path / "kept", now=NOW)
    before = contents(engine)
    (place / made.file).write_bytes((place / made.file).read_bytes()[:-1])
    with refuses(BackupError, asked="restore", needed="as it was made", came="other bytes"):
        restore(database_url, place, now=LATER)
    assert contents(engine) == before


def test_the_other_kind_is_refused(engine: Engine, database_url: str, tmp_path: Path) -> None:
    place, made = back_up(engine, tmp_path / "kept", now=NOW)
    other = (
        "postgresql+psycopg://nobody@127.0.0.1/none"
        if made.kind == "sqlite"
        else f"sqlite:///{tmp_path}/x.db"
    )
    with refuses(NotRestoredError, asked="restore", needed=made.kind, came=""):
        restore(other, place, now=LATER)
    assert not (tmp_path / "x.db").exists()


def test_a_database_in_use_is_left(tmp_path: Path) -> None:
    from server.schema import upgrade

    url = f"sqlite:///{tmp_path / 'live.db'}"
    upgrade(url)
    engine = open_engine(url)
    place, _ = back_up(engine, tmp_path / "kept", now=NOW)
    with closing(sqlite3.connect(tmp_path / "live.db", isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM site").fetchone()
        fill(engine, days=1)
        engine.dispose()
        with refuses(NotRestoredError, asked="restore", needed="no program has open", came="live.db in use"):
            restore(url, place, now=LATER)
    again = read_again(url)
    assert contents(again).rows["site"] == 1
    again.dispose()


def test_a_strange_trigger_is_refused(tmp_path: Path) -> None:
    """SQLite's own check calls such a file whole; its manifest may be made to fit, too."""
    from server.schema import upgrade

    url = f"sqlite:///{tmp_path / 'live.db'}"
    upgrade(url)
    engine = open_engine(url)
    place, made = back_up(engine, tmp_path / "kept", now=NOW)
    engine.dispose()
    with closing(sqlite3.connect(place / made.file)) as raw, raw:
        raw.execute("CREATE TRIGGER quiet AFTER INSERT ON reading BEGIN DELETE FROM reading; END")
    manifest = place / "manifest.json"
    manifest.write_text(manifest.read_text().replace(made.sha256, sha256_of(place / made.file)))
    with refuses(BackupError, asked="restore", needed="the tables of revision", came="trigger quiet"):
        restore(url, place, now=LATER)


def test_nodes_send_again_what_the_back_up_lacks(engine: Engine, database_url: str, tmp_path: Path) -> None:
    """The real node and collector: back up, go on, restore, and at the next visit nothing is missing."""
    enrol_world(engine)
    with node_in(tmp_path) as north:
        north.sample(60)
        north.visit(engine)
        place, made = back_up(engine, tmp_path / "kept", now=NOW)
        north.sample(40)
        north.visit(engine, now_ms=ARRIVAL_MS + HOUR_MS)
        whole = contents(engine).readings
        assert stored(engine) == north.sampled()
        engine.dispose()
        aside = restore(database_url, place, now=LATER).aside
        again = read_again(database_url)
        assert contents(again) == without_left_out(made.contents)
        assert len(stored(again)) == 60
        assert north.publisher.waiting() == 0, "the node believes that all is stored"
        north.visit(again, now_ms=ARRIVAL_MS + 2 * HOUR_MS)
        assert stored(again) == north.sampled()
        assert contents(again).readings == whole
        again.dispose()
    drop_aside(database_url, aside)
