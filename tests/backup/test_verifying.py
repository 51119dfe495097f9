"""Verifying the database in use."""

import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
from sqlalchemy import Engine, text

from server.backup.verifying import verify
from server.database import open_engine
from server.errors import StaleSchemaError
from server.schema import upgrade
from tests.backup.yard import contents, fill
from tests.readings.gauges import JAN_1_MS, put
from tests.refusals import refuses


def chance() -> np.random.Generator:
    return np.random.default_rng(1)


def test_a_sound_database_has_no_fault(engine: Engine) -> None:
    fill(engine)
    found = verify(engine, chance=chance(), sample=None)
    assert (found.faults, found.days) == ((), 40 * 3)
    assert found.contents == contents(engine)
    assert verify(engine, chance=chance(), sample=10).days == 10


def test_a_wrong_rollup_is_named(engine: Engine) -> None:
    fill(engine)
    with engine.begin() as connection:
        connection.execute(text("UPDATE rollup_day SET high = high + 1 WHERE channel_id = 2 AND day = 20454"))
    assert verify(engine, chance=chance(), sample=None).faults == (
        "the rollup of channel 2 on 2026-01-01 is not what its readings say",
    )


def test_readings_without_a_channel_are_named(engine: Engine) -> None:
    fill(engine, days=1)
    put(engine, [(99, JAN_1_MS, 1.0)])
    assert "channel 99 has readings and is not enrolled" in verify(engine, chance=chance()).faults


def test_rows_without_parents_are_named(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'yard.db'}"
    upgrade(url)
    with closing(sqlite3.connect(tmp_path / "yard.db")) as raw, raw:
        raw.execute("INSERT INTO journal (node_id, code, first_seen, tail) VALUES (7, 'x', '2026-01-01', 1)")
    engine = open_engine(url)
    assert verify(engine, chance=chance()).faults == ("a row of journal without its node",)
    engine.dispose()


def test_a_database_of_another_version_is_refused(database_url: str) -> None:
    engine = open_engine(database_url)
    with refuses(StaleSchemaError, asked="open", needed="db upgrade", came="no tables"):
        verify(engine, chance=chance())
    engine.dispose()
