"""Doors put straight into a database are whole on either kind, with their days as the service makes them."""

from pathlib import Path
from typing import Any

from sqlalchemy import Engine, func, select, text
from sqlalchemy.orm import Session

from server.database import open_engine
from server.readings.rollup import recompute_all
from server.readings.tables import Reading
from server.readings.write import DAY_MS, mark_dirty
from server.schema import upgrade
from tests.bench.asked import Asked, fleet
from tests.bench.yard import channels_of, put

DAYS = ("rollup_day", "day_shut", "ref_window")
DOORS = (*fleet(1, years=20 / 365.25), Asked(name="used", years=0.02, kit="E", use=True))


def rows(engine: Engine, table: str) -> list[tuple[Any, ...]]:
    with engine.connect() as connection:
        return sorted(tuple(row) for row in connection.execute(text(f"SELECT * FROM {table}")))  # noqa: S608  (names of this file)


def test_every_reading_is_there_and_no_day_is_left_to_make(engine: Engine) -> None:
    put(engine, DOORS)
    with Session(engine) as session:
        for asked in DOORS:
            for one in channels_of(session, asked.name).values():
                stored = select(func.count()).where(Reading.channel_id == one.id)
                assert session.scalar(stored) == asked.simulated.count, one.name
    assert rows(engine, "dirty_day") == []
    spans = [(first, last) for _, first, last in rows(engine, "journal_span")]
    assert spans == [(1, asked.simulated.count) for asked in DOORS]


def test_its_days_are_those_that_the_service_makes(engine: Engine, tmp_path: Path) -> None:
    put(engine, DOORS)
    made = {table: rows(engine, table) for table in DAYS}
    touched = {(channel, ms // DAY_MS) for channel, ms, _ in rows(engine, "reading")}
    with engine.begin() as connection:
        for table in DAYS:
            connection.execute(text(f"DELETE FROM {table}"))  # noqa: S608  (names of this file)
        mark_dirty(connection, touched, touched_ms=0)
    recompute_all(engine)
    for table in DAYS:
        assert len(made[table]) > 2
        assert rows(engine, table) == made[table], table


def test_two_processes_put_in_the_same_as_one(engine: Engine, tmp_path: Path) -> None:
    put(engine, DOORS, workers=2)
    upgrade(url := f"sqlite:///{tmp_path / 'one.db'}")
    one = open_engine(url)
    put(one, DOORS)
    assert rows(one, "reading") == rows(engine, "reading")
    assert rows(one, "day_shut") == rows(engine, "day_shut")
    one.dispose()
