"""Over the true wire: what simulated gauges say comes to stand in the store, to the last bit."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from sqlalchemy import text
from sqlalchemy.orm import Session

from sensors.sources.simulated.states import HEADER
from server.database import open_engine
from server.doors.carpentry import shape_of, stations_of
from server.joinery.leaf import BASE_PRIOR, FRAME_PRIOR, read
from server.readings.store import series
from server.schema import upgrade
from tests.bench.asked import Asked
from tests.bench.yard import channels_of, make_nodes, put, send
from tests.journeys.needs import by_default
from tests.journeys.yard import Yard, make_yard, serving

MIDNIGHT = datetime(2024, 5, 1, tzinfo=UTC)
DAYS, STEPS_A_DAY, DAY_MS = 22, 16, 86_400_000
YEARS = DAYS / 365.25
STATES = DAYS * STEPS_A_DAY
WITHIN_MM = 4.0  # of as hung, either way: what a stroke of 10 mm takes of a gauge set off its middle
ROLLED = "r.n, r.mean, r.m2, r.low, r.high, r.first_ms, r.last_ms"
TABLES = {
    "reading": ("r.t_ms, r.value", "r.t_ms < :end_ms"),
    "rollup_day": (f"r.day, {ROLLED}", "r.day < :end_ms / 86400000"),
    "day_shut": ("r.day, r.n, r.median, r.low, r.high", "r.day < :end_ms / 86400000"),
}
FloatArray = NDArray[np.float64]


def drawn_states(asked: Asked, rng: np.random.Generator) -> FloatArray:
    """States drawn from the priors of a frame that leans, shape (STATES, 8), in reach of every gauge."""
    shape, stations = shape_of(asked.built), stations_of(asked.built)
    sd = np.array([*BASE_PRIOR, *FRAME_PRIOR["leans"], 1.2e-4])
    states = rng.normal(size=(40 * STATES, 8)) * sd
    change = [
        read(shape, station, states) - read(shape, station, np.zeros((1, 8))) for station in stations.values()
    ]
    found: FloatArray = states[np.abs(change).max(axis=0) <= WITHIN_MM][:STATES]
    return found


def write_states(path: Path, states: FloatArray) -> None:
    rows = [[k / STEPS_A_DAY, *state] for k, state in enumerate(states.tolist())]
    lines = [",".join(HEADER), *(",".join(map(repr, row)) for row in rows)]
    path.write_text("\n".join(lines) + "\n", "utf-8")


@pytest.fixture
def yard(database_url: str, tmp_path: Path) -> Yard:
    return make_yard(tmp_path / "yard", database_url)


@pytest.mark.parametrize("database_url", by_default("sqlite"), indirect=True)
def test_the_leaf_s_map_is_the_simulated_node_s_geometry(yard: Yard, tmp_path: Path) -> None:
    """Two codes of one geometry, joinery's real numbers and the node's complex ones, and a wire between."""
    asked = Asked(name="given", years=YEARS, start=MIDNIGHT, kit="every", ideal=True)
    states = drawn_states(asked, np.random.default_rng(20261125))
    assert len(states) == STATES
    write_states(tmp_path / "states.csv", states)
    sent = Asked(
        name="given",
        years=YEARS,
        start=MIDNIGHT,
        kit="every",
        ideal=True,
        states=str(tmp_path / "states.csv"),
    )
    make_nodes(yard, [sent])
    with serving(yard) as served:
        send(yard, served, [sent])
    stored = stored_mm(yard, "given")
    shut = stored.pop("shut") == 1.0
    shape, stations = shape_of(asked.built), stations_of(asked.built)
    assert len(stations) == 10
    assert shut.sum() >= 300
    for name, station in stations.items():
        reads = read(shape, station, states)
        if station.kind == "diag":  # counted from as hung
            reads = reads - read(shape, station, np.zeros((1, 8)))
        assert np.abs(stored[name] - reads)[shut].max() <= 1e-8, name


def stored_mm(yard: Yard, node: str) -> dict[str, FloatArray]:
    """The history of each channel as the store gives it, calibrated."""
    begin_ms = round(MIDNIGHT.timestamp() * 1000)
    with yard.opened() as engine, Session(engine) as session:
        return {
            name: series(session, channel.id, begin_ms, begin_ms + DAYS * DAY_MS).value
            for name, channel in channels_of(session, node).items()
        }


def test_what_is_stored_is_what_the_simulator_made(yard: Yard, tmp_path: Path) -> None:
    """The same doors over the wire and straight in: readings, days, medians with the leaf shut."""
    doors = [
        Asked(name="one", seed=7, years=YEARS, start=MIDNIGHT, kit="every", use=True, vary=True),
        Asked(name="two", like="south", seed=8, years=YEARS, start=MIDNIGHT, kit="F", pair_mm=90.0),
    ]
    make_nodes(yard, doors)
    with serving(yard) as served:
        send(yard, served, doors)
    direct = make_yard(tmp_path / "direct")
    upgrade(direct.database)
    engine = open_engine(direct.database)
    put(engine, doors)
    engine.dispose()
    for table, (columns, before) in TABLES.items():
        came, made = (kept(each, table, columns, before) for each in (yard, direct))
        assert len(made) > 30 * DAYS
        assert came == made, table
    stamps = [kept_instants(each) for each in (yard, direct)]
    assert stamps[0] == stamps[1]
    assert len(stamps[0]) == 2 * DAYS * STEPS_A_DAY


def kept(yard: Yard, table: str, columns: str, before: str) -> list[tuple[Any, ...]]:
    """Rows of the history by channel; what came live after it is left out."""
    end_ms = round(MIDNIGHT.timestamp() * 1000) + DAYS * DAY_MS
    told = text(
        f"SELECT c.name, {columns} FROM {table} r JOIN channel c ON c.id = r.channel_id "  # noqa: S608  (names of this file)
        f"WHERE {before}"
    )
    with yard.opened() as engine, engine.connect() as connection:
        return sorted(tuple(row) for row in connection.execute(told, {"end_ms": end_ms}))


def kept_instants(yard: Yard) -> list[tuple[Any, ...]]:
    rows = yard.rows(
        "SELECT n.name, i.seq, i.t_ms, i.clock FROM instant i JOIN journal j ON j.id = i.journal_id "
        "JOIN node n ON n.id = j.node_id"
    )
    return sorted(row for row in rows if row[1] <= STATES)
