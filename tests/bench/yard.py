"""Many simulated doors in one database: over the true wire, or straight in.

`python -m tests.bench.yard [--doors 4] [--years 1] [--opens JOINT] [--wire] [--database URL]` puts them there
and prints how long a door-year took. As a library, with `fleet` for the doors: `put`; or `make_nodes`, then
`send` while the service runs. Both ways leave the same readings, instants and days.
"""

import argparse
import hashlib
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from itertools import islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Engine, delete
from sqlalchemy.orm import Session

from server.auth.credentials import issue, node_user
from server.clock import utc_now
from server.database import open_engine
from server.doors.example import SITE
from server.doors.register import ChannelRef, DoorHung, add_channels, add_door, enrol_node, find_node
from server.doors.tables import Node
from server.readings import rezero
from server.readings.calibration import add, calibrate, versions_of
from server.readings.copying import copy_new
from server.readings.journals import journal_ids, merge_spans
from server.readings.months import ensure_months
from server.readings.rollup import Rolled, medians, rolled
from server.readings.tables import DirtyDay
from server.readings.write import (
    DAY_MS,
    DAY_SHUT,
    NOTHING,
    ROLLUP_DAY,
    Batch,
    insert_new,
    insert_rows,
)
from server.schema import upgrade
from tests.bench.asked import Asked, Readings, fleet, readings_of
from tests.journeys.yard import SCRIPTS, Served, Yard, end, make_yard, serving, start, until

Row = tuple[float | None, ...]
PACKS_PER_S = "1000"
A_YEAR_S = 120.0  # patience for one door-year on the wire


def put(engine: Engine, doors: Sequence[Asked], *, workers: int = 1) -> None:
    """Put doors and all of their readings into a database of this version, days made.

    `workers` processes simulate.
    """
    with Session(engine) as session, session.begin():
        hung = [register(session, asked) for asked in doors]
    for one, readings in zip(hung, _simulated(doors, workers), strict=True):
        put_readings(engine, one, readings)


def register(session: Session, asked: Asked) -> DoorHung:
    """Enrol a door's node, hang the door and add its calibrations."""
    node = enrol_node(session, SITE, asked.name, kind="tracked", zone="Europe/London", now=asked.start)
    hung = add_door(session, asked.built, now=utc_now())
    others = [
        (f"{SITE}/{asked.name}/{one.name}", one.unit)
        for one in asked.simulated.channels
        if one.name not in hung.channels
    ]
    add_channels(session, node, others, asked.start)
    channels = channels_of(session, asked.name)
    for record in asked.records:
        add(session, channels[record.channel.rpartition("/")[2]].id, record, now=lambda: asked.start)
    return hung


def channels_of(session: Session, node: str) -> dict[str, ChannelRef]:
    """The channels of a node by their own names."""
    found = find_node(session, f"{SITE}/{node}").channels
    return {one.name.rpartition("/")[2]: one for one in found}


def put_readings(engine: Engine, hung: DoorHung, readings: Readings) -> None:
    """Put the readings of a registered door into the database, and make their days."""
    ensure_months(engine, readings.ms.tolist(), set())
    with Session(engine.execution_options(immediate=True)) as session, session.begin():
        connection = session.connection()
        channels = channels_of(session, hung.built.node)
        code = hashlib.sha256(hung.ref.encode()).hexdigest()[:8]
        (journal,) = journal_ids(connection, [(hung.node_id, code)], now=hung.hung).values()
        ms = readings.ms.tolist()
        seqs = range(1, len(ms) + 1)
        instants = [(journal, seq, at, 0) for seq, at in zip(seqs, ms, strict=True)]
        insert_new(connection, Batch(readings=list(_rows(channels, readings)), instants=instants))
        merge_spans(connection, {journal: seqs})
        heard = session.get_one(Node, hung.node_id)
        heard.last_heard_ms = ms[-1]
        make_days(session, channels, readings)


def send(
    yard: Yard, served: Served, doors: Sequence[Asked], *, at_once: int = 2, with_days: bool = True
) -> None:
    """Send the years of registered doors to the service, so many nodes at a time, until their days are made.

    `with_days` False does not wait for the days. Raises AssertionError when it waits in vain.
    """
    waiting = iter(doors)
    while some := list(islice(waiting, at_once)):
        with ExitStack() as running:
            for asked in some:
                child = start(*_node(yard, served, asked), log=yard.folder / asked.name / "node.log")
                running.callback(end, child)
            patience_s = 60.0 + A_YEAR_S * sum(asked.years for asked in some)
            until(lambda some=some: _are_stored(yard, some), "the years", within_s=patience_s, every_s=0.1)  # type: ignore[misc]
    if with_days:
        until(lambda: yard.rows("SELECT count(*) FROM dirty_day") == [(0,)], "their days", within_s=600)


def make_nodes(yard: Yard, doors: Sequence[Asked]) -> None:
    """Register doors in a yard's database, and give each node its folder and its password."""
    upgrade(yard.database)
    engine = open_engine(yard.database)
    with Session(engine) as session, session.begin():
        for asked in doors:
            hung = register(session, asked)
            user = node_user(SITE, asked.name, 1)
            password = issue(
                session, node_id=hung.node_id, user=user, role="node", generation=1, now=utc_now()
            )
            state = yard.folder / asked.name / "state"
            state.mkdir(parents=True, mode=0o700)
            (state / "secret").write_text(password, "utf-8")
    engine.dispose()


def _simulated(doors: Sequence[Asked], workers: int) -> Iterator[Readings]:
    if workers < 2:
        yield from (readings_of(asked.simulated) for asked in doors)
        return
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(_readings, doors)


def _readings(asked: Asked) -> Readings:
    return readings_of(asked.simulated)


def _rows(channels: dict[str, ChannelRef], readings: Readings) -> Iterator[tuple[int, int, float]]:
    ms = readings.ms.tolist()
    for name in sorted(readings.values, key=lambda one: channels[one].id):
        channel = channels[name].id
        yield from (
            (channel, at, value) for at, value in zip(ms, readings.values[name].tolist(), strict=True)
        )


def make_days(session: Session, channels: dict[str, ChannelRef], readings: Readings) -> None:
    """Make a door's days as the service makes them: the reference first, since it puts the others right."""
    connection, ms = session.connection(), readings.ms
    rezero.renew(session, channels["ref"].id, np.unique(ms // DAY_MS).tolist(), touched_ms=0)
    shut = readings.values["shut"] == 1.0
    made: dict[str, list[Row]] = {"day": [], "shut": []}
    for name, sent in readings.values.items():
        channel = channels[name]
        version = versions_of(session, channel.id, channel.unit)
        value = calibrate(version, ms, rezero.put_right(session, channel.id, ms, sent))[0].value
        made["day"] += _rolled(channel.id, rolled(ms // DAY_MS, ms, value), version[-1].id)
        # what is not the door's own is not asked whether it was shut
        chosen = shut if channel.kind != "plain" else np.ones(ms.shape, np.bool_)
        made["shut"] += _medians(channel.id, ms[chosen], value[chosen], version[-1].id)
    for shape, rows in zip((ROLLUP_DAY, DAY_SHUT), made.values(), strict=True):
        if connection.dialect.name == "postgresql":
            copy_new(connection, shape.table, shape.columns, shape.types, rows)  # type: ignore[arg-type]  # no nulls
        else:
            insert_rows(connection, shape, rows, NOTHING)
    made_now = DirtyDay.channel_id.in_([one.id for one in channels.values()])
    connection.execute(delete(DirtyDay).where(made_now))


def _rolled(channel: int, found: Rolled, version: int | None) -> Iterable[Row]:
    columns = [getattr(found, name).tolist() for name in found.__slots__]
    return ((channel, *row, version) for row in zip(*columns, strict=True))


def _medians(
    channel: int, ms: NDArray[np.int64], value: NDArray[np.float64], version: int | None
) -> Iterable[Row]:
    found = rolled(ms // DAY_MS, ms, value)
    day, median = medians(ms // DAY_MS, value)
    columns = [one.tolist() for one in (day, found.n, median, found.low, found.high)]
    return ((channel, *row, version) for row in zip(*columns, strict=True))


def _node(yard: Yard, served: Served, asked: Asked) -> list[str]:
    """Write a node's file and give its command."""
    folder = yard.folder / asked.name
    lines = [
        f'site = "{SITE}"',
        f'node = "{asked.name}"',
        f'state_dir = "{folder / "state"}"',
        "[broker]",
        f"port = {served.intake}",
        f'user = "{node_user(SITE, asked.name, 1)}"',
        "[spool]",
        "keep_days = 3650",
        "min_free_mib = 1",
    ]
    (folder / "node.toml").write_text("\n".join(lines), "utf-8")
    command = [str(SCRIPTS / "hangtrue-node"), "--config", str(folder / "node.toml"), "simulate"]
    return [*command, *asked.arguments, "--packs-per-s", PACKS_PER_S]


def _are_stored(yard: Yard, doors: Sequence[Asked]) -> bool:
    rows = yard.rows(
        "SELECT n.name, s.seq_to FROM journal_span s JOIN journal j ON j.id = s.journal_id "
        "JOIN node n ON n.id = j.node_id WHERE s.seq_from = 1"
    )
    upto = {str(name): int(seq) for name, seq in rows}
    return all(upto.get(asked.name, 0) >= asked.simulated.count for asked in doors)


def main() -> int:
    """Put doors into a database and print the time."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--doors", type=int, default=4)
    parser.add_argument("--years", type=float, default=1.0)
    parser.add_argument("--wire", action="store_true")
    parser.add_argument("--at-once", type=int, default=2)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--opens", help="the joint that lets go in each door")
    parser.add_argument("--pair-mm", type=float)
    parser.add_argument("--database")
    asked = parser.parse_args()
    doors = fleet(asked.doors, years=asked.years, opens=asked.opens, pair_mm=asked.pair_mm)
    with tempfile.TemporaryDirectory(prefix="yard-") as folder:
        yard = make_yard(Path(folder), asked.database)
        began = time.monotonic()
        if asked.wire:
            make_nodes(yard, doors)
            with serving(yard) as served:
                send(yard, served, doors, at_once=asked.at_once)
        else:
            upgrade(yard.database)
            engine = open_engine(yard.database)
            put(engine, doors, workers=asked.workers)
            engine.dispose()
        took_s = time.monotonic() - began
        (count,) = yard.rows("SELECT count(*) FROM reading")[0]
    door_years = asked.doors * asked.years
    sys.stdout.write(
        f"{asked.doors} doors of {asked.years:g} years, {count:,} readings: "
        f"{took_s:.1f} s, {took_s / door_years:.2f} s a door-year\n"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
