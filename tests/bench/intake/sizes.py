"""Bytes a reading on SQLite: of the table of readings alone, and of all that intake keeps.

Packs of ten instants go through the committer; rollups are made from them.
Source: SQLite documentation, "The DBSTAT Virtual Table".
"""

import sys
import tempfile
from pathlib import Path

from sqlalchemy import text

from server.database import open_engine
from server.intake.commit import Committer
from server.intake.enrolled import Enrolment
from server.intake.values import Offer
from server.readings.rollup import recompute_all
from tests.bench.intake.generator import TOPIC
from tests.bench.intake.packs import CHANNELS, SHAPES, START_MS, STEP_MS, packs
from tests.bench.intake.pairs import Asked
from tests.bench.intake.served import make_database

PACKS, GROUP = 6_000, 200
BARS = {"reading": 26.0, "all": 29.0}
ROLLED = ("rollup_day", "day_shut")


def measured(folder: Path) -> dict[str, float]:
    """Bytes a reading: the table `reading`; `all` tables; `rolled`, the rollups among them."""
    url = f"sqlite:///{folder / 'bench.db'}"
    make_database(url)
    engine, now_ms = open_engine(url), START_MS + STEP_MS * 10 * (PACKS + 1)
    enrolment = Enrolment(engine)
    enrolment.read()
    committer = Committer(engine, enrolment, clock_ms=lambda: now_ms)
    offers = [
        Offer(TOPIC.decode(), payload, now_ms, token)
        for token, payload in enumerate(packs("back-fill", PACKS))
    ]
    for begin in range(0, PACKS, GROUP):
        committer.commit(offers[begin : begin + GROUP])
    recompute_all(engine)
    with engine.connect() as connection:
        rows = connection.execute(text("SELECT name, sum(pgsize) FROM dbstat GROUP BY name"))
        size = {name: int(count) for name, count in rows}
        count = connection.execute(text("SELECT count(*) FROM reading")).scalar_one()
    assert count == PACKS * SHAPES["back-fill"] * len(CHANNELS), "a pack was not stored"
    engine.dispose()
    rolled = sum(size.get(name, 0) for name in ROLLED)
    return {
        "reading": size["reading"] / count,
        "all": sum(size.values()) / count,
        "rolled": rolled / count,
    }


def run(_asked: Asked) -> bool:
    """Whether both bars were met."""
    with tempfile.TemporaryDirectory() as name:
        found = measured(Path(name))
    sys.stdout.write(
        f"bytes a reading: reading {found['reading']:.1f} (bar {BARS['reading']:g}), "
        f"all tables {found['all']:.1f} (bar {BARS['all']:g}), of which rollups {found['rolled']:.1f}\n"
    )
    return all(found[name] <= most for name, most in BARS.items())
