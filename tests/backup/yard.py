"""A yard with something in every kind of table, and its contents; databases to restore and move to."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from sqlalchemy import Engine

from server.backup.contents import Contents, contents_of
from server.database import session_of
from server.readings.calibration import CalibrationRecord, add
from server.readings.rollup import recompute_all
from server.readings.write import Row
from tests.fakes.databases import own_schema
from tests.readings.gauges import DAY, JAN_1_MS, hang, put

NOW = datetime(2026, 11, 24, 2, tzinfo=UTC)


def fill(engine: Engine, *, days: int = 40, seed: int = 5) -> list[int]:
    """Hang a door with two gauges and a shut channel, an instant an hour; the ids of the channels."""
    channels = hang(engine, ["/", "%RH", "count"], quantities=["latch", "air_rh", "shut"])
    chance = np.random.default_rng(seed)
    rows: list[Row] = []
    for hour in range(24 * days):
        ms = JAN_1_MS + hour * 3_600_000
        rows += [
            (channels[0], ms, float(chance.random())),
            (channels[1], ms, float(chance.normal(60.0, 9.0))),
        ]
        rows.append((channels[2], ms, float(chance.random() < 0.9)))
    put(engine, rows)
    record = CalibrationRecord(
        channel="g", from_ms=JAN_1_MS, kind="linear", coefficients=((1.0, 5.0),), unit_out="mm", sigma=0.01
    )
    with session_of(engine) as session:
        add(session, channels[0], record, now=lambda: NOW)
    recompute_all(engine)
    return channels


def contents(engine: Engine) -> Contents:
    """What a database holds."""
    with engine.connect() as connection:
        return contents_of(connection)


def more(engine: Engine, channels: Sequence[int], *, day: int = 300) -> None:
    """Readings of a later day, of the first channel."""
    put(engine, [(channels[0], JAN_1_MS + day * DAY + n, 0.5) for n in range(3)])


@contextmanager
def other_database(url: str, folder: Path, name: str) -> Iterator[str]:
    """An empty place for a database of the same kind: elsewhere on the disk, or another schema."""
    if url.startswith("sqlite"):
        yield f"sqlite:///{folder / name}.db"
        return
    with own_schema(url, f"{folder.name}_{name}") as other:
        yield other
