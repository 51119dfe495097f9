"""Reading back through SQLAlchemy Core against raw sqlite3: a channel-year, and ten years of days."""

import sqlite3
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
from sqlalchemy.orm import Session

from server.database import open_engine
from server.readings import store
from server.readings.write import DAY_MS, DAY_SHUT, NOTHING, Batch, Row, insert_new, insert_rows
from tests.bench.intake.packs import CHANNELS, STEP_MS
from tests.bench.intake.pairs import Asked, Bar, compare, head
from tests.bench.intake.served import Took, make_database

YEAR, DAYS, TIMES, FIRST_DAY = 52_560, 3_653, 10, 19_000
FIRST_MS = FIRST_DAY * DAY_MS
YEAR_SQL = "SELECT t_ms, value FROM reading WHERE channel_id = 1 AND t_ms >= ? AND t_ms < ? ORDER BY t_ms"
DAYS_SQL = (
    "SELECT day, median, n, low, high FROM day_shut "
    "WHERE channel_id = 1 AND day >= ? AND day < ? ORDER BY day"
)


def make(path: Path) -> str:
    """A database with a year of readings of each channel, and ten years of days; its address."""
    url = f"sqlite:///{path}"
    make_database(url)
    engine = open_engine(url)
    rng = np.random.default_rng(7)
    with engine.execution_options(immediate=True).begin() as connection:
        for channel in range(1, len(CHANNELS) + 1):
            values = rng.normal(0.4, 0.01, YEAR).round(6).tolist()
            rows: list[Row] = [(channel, FIRST_MS + STEP_MS * k, value) for k, value in enumerate(values)]
            insert_new(connection, Batch(readings=rows, instants=()))
            medians = rng.normal(0.4, 0.01, DAYS).tolist()
            days = [(channel, FIRST_DAY + k, 144, one, one, one, None) for k, one in enumerate(medians)]
            insert_rows(connection, DAY_SHUT, days, NOTHING)
    engine.dispose()
    return url


def took(ask: Callable[[], int], count: int) -> Took:
    """Seconds of some readings back, each of `count` rows."""
    began, used = time.perf_counter(), time.process_time()
    for _ in range(TIMES):
        assert ask() == count
    return Took(wall_s=time.perf_counter() - began, cpu_s=time.process_time() - used)


def by_core(url: str, ask: Callable[[Session], int], count: int) -> Took:
    """By the store's own functions."""
    engine = open_engine(url, reader=True)
    with Session(engine) as session:
        return took(lambda: ask(session), count)


def by_sqlite(path: Path, sql: str, ends: tuple[int, int], count: int) -> Took:
    """By the standard library alone, into an array of numpy."""
    db = sqlite3.connect(path)
    return took(lambda: len(np.array(db.execute(sql, ends).fetchall(), dtype=np.float64)), count)


def a_year(session: Session) -> int:
    """How many readings of a channel-year come back, calibrated."""
    return len(store.raw(session, 1, FIRST_MS, FIRST_MS + STEP_MS * YEAR).ms)


def ten_years(session: Session) -> int:
    """How many days come back."""
    return len(store.day_medians(session, [1], FIRST_DAY, FIRST_DAY + DAYS)[1].day)


ASKED = {
    "channel-year": (a_year, YEAR_SQL, (FIRST_MS, FIRST_MS + STEP_MS * YEAR), YEAR, 4.0),
    "ten years of days": (ten_years, DAYS_SQL, (FIRST_DAY, FIRST_DAY + DAYS), DAYS, 2.5),
}


def run(asked: Asked) -> bool:
    """Whether both bars were met: at most 4 and 2.5 times the raw reading's seconds."""
    head("Core over raw sqlite3, reading (bars 1/4 and 1/2.5)", asked)
    met = True
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "bench.db"
        url = make(path)
        for what, (ask, sql, ends, count, most) in ASKED.items():
            bar = Bar(name=what, least=1.0 / most, readings=count * TIMES)
            one, other = partial(by_core, url, ask, count), partial(by_sqlite, path, sql, ends, count)
            met &= compare(bar, lambda _folder, one=one, other=other: (one(), other()), asked)  # type: ignore[misc]
    return met
