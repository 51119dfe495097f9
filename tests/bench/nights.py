"""A night of many doors by the real run: looks, watches, findings, ledger, then messages to the outbox.

`python -m tests.bench.nights [--doors 100] [--years 3] [--like 2] [--opens JOINT] [--database URL]`. `--like`
doors are put straight in and looked at for their first nights; the others have their days and watches under
names of their own. Then a night of all is timed, with what the process holds before and after it.
`--from-hanging` times one door, looked at night by night from its hanging.
Bars: a night of 100 doors at most 60 s with all that it keeps, its messages at most 60 s, memory flat; a
series at most 10 ms of work besides load and save.
"""

import argparse
import gc
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
from sqlalchemy import Engine, func, select, text

from server.alerts.delivery.posts import NewPost, add_post
from server.alerts.delivery.tables import MessageRow
from server.database import Session, open_engine, session_of
from server.doors.example import SITE
from server.doors.register import DoorHung, find_door
from server.doors.tables import Node
from server.inspection import look
from server.schema import upgrade
from server.service import messages, nightly, overtime
from tests.bench.asked import Asked, fleet
from tests.bench.yard import channels_of, put, register
from tests.fakes.clock import HandClock

ZONE, AT = "Europe/London", "05:00"
BAR_S, A_DAY_S = 60.0, 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Took:
    """Seconds by the clock and of the processor."""

    wall_s: float
    cpu_s: float

    def __str__(self) -> str:
        return f"{self.wall_s:.1f} s, {self.cpu_s:.1f} s of them at work"


def timed(step: Callable[[], object]) -> Took:
    """How long a step takes."""
    began, used = time.perf_counter(), time.process_time()
    step()
    return Took(wall_s=time.perf_counter() - began, cpu_s=time.process_time() - used)


def say(words: str) -> None:
    """A line, at once."""
    sys.stdout.write(f"{words}\n")
    sys.stdout.flush()


def held_mib() -> tuple[float, float]:
    """Memory that the process holds now, and the most that it ever held, MiB."""
    gc.collect()
    lines = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text("ascii").splitlines())
    return tuple(int(lines[name].split()[0]) / 1024 for name in ("VmRSS", "VmHWM"))  # type: ignore[return-value]  # two names


def make(engine: Engine, doors: Sequence[Asked], like: int, clock: HandClock) -> None:
    """The doors with their days, each looked at until now; all but the first `like` of them are copies."""
    took = timed(lambda: put(engine, doors[:like]))
    say(f"{like} doors of {doors[0].years:g} years put in: {took}")
    with session_of(engine) as session:
        add_post(session, NewPost(channel="desk"))
    took = timed(lambda: nightly.run_due(engine, clock=clock, look_at=AT, zone=ZONE))
    say(f"their first looks, with every fit: {took}")
    for place, asked in enumerate(doors[like:]):
        with session_of(engine) as session:
            copy(session, doors[place % like], asked)


def copy(session: Session, of: Asked, asked: Asked) -> None:
    """A door with another's days, looks and watches: of a door's names nothing hangs on."""
    door, other = register(session, replace(of, name=asked.name)), _door(session, of)
    mine, theirs = (channels_of(session, one.built.node) for one in (door, other))
    for name, channel in theirs.items():
        for table in ("rollup_day", "day_shut", "ref_window"):
            _copy_rows(session, table, "channel_id", (channel.id, mine[name].id))
    session.get_one(Node, door.node_id).last_heard_ms = session.get_one(Node, other.node_id).last_heard_ms
    _copy_rows(session, "inspection", "scope", (f"door/{other.id}", f"door/{door.id}"))
    _copy_rows(session, "series_watch", "door_id", (other.id, door.id))


def _copy_rows(session: Session, table: str, column: str, put_as: tuple[object, object]) -> None:
    """Rows of a table with the one value in a column, once more with the other; numbers of their own."""
    names = session.execute(text(f"SELECT * FROM {table} LIMIT 0")).keys()  # noqa: S608  (names of our own)
    kept = [name for name in names if name != "id"]
    given = ", ".join(":new" if name == column else name for name in kept)
    statement = f"INSERT INTO {table} ({', '.join(kept)}) SELECT {given} FROM {table} WHERE {column} = :old"  # noqa: S608  (likewise)
    session.execute(text(statement), {"old": put_as[0], "new": put_as[1]})


def _door(session: Session, asked: Asked) -> DoorHung:
    return find_door(session, f"{SITE}/{asked.name}")


def measure(engine: Engine, doors: Sequence[Asked], clock: HandClock) -> bool:
    """One night of all, and its messages; whether the bars are kept."""
    clock.advance(days=1)
    done: list[nightly.LookDone] = []
    before, _ = held_mib()
    with looks_counted() as looked_s:
        took = timed(lambda: done.extend(nightly.run_due(engine, clock=clock, look_at=AT, zone=ZONE)))
    after, most = held_mib()
    saying = messages.Saying(
        clock=clock, rng=np.random.default_rng(1), base_url="http://127.0.0.1", zone=ZONE
    )
    told = timed(lambda: messages.say(engine, saying, looked=True))
    with session_of(engine) as session:
        made = session.scalar(
            select(func.count()).select_from(MessageRow).where(MessageRow.slot == done[-1].slot)
        )
    series = sum(len(one.inspection.series) for one in done)
    ended = sum(one.status == "done" for one in done)
    alarms = sum(bool(one.facts.get("alarm")) for each in done for one in each.inspection.series)
    say(f"a night of {len(done)} doors, {ended} done, {series} series, {alarms} with an alarm: {took}")
    each_ms, look_ms = (1000 * one / max(series, 1) for one in (took.cpu_s, sum(looked_s)))
    say(f"{each_ms:.1f} ms of work a series, of which {look_ms:.1f} besides load and save")
    say(f"{made} messages composed: {told}")
    say(f"held before {before:.0f} MiB, after {after:.0f}, at most ever {most:.0f}")
    return ended == len(doors) and took.wall_s <= BAR_S and told.wall_s <= BAR_S


@contextmanager
def looks_counted() -> Iterator[list[float]]:
    """Processor seconds of each look itself, between what is read and what is kept."""
    plain, spent = look.watched_look, list[float]()

    def counted(*given: Any, **named: Any) -> look.Looked:
        began = time.process_time()
        try:
            return plain(*given, **named)
        finally:
            spent.append(time.process_time() - began)

    with mock.patch.object(look, "watched_look", counted):
        yield spent


def from_hanging(engine: Engine, asked: Asked, clock: HandClock) -> None:
    """One door night by night from its hanging."""
    put(engine, [asked])
    took = timed(lambda: nightly.look_from_hanging(engine, f"{SITE}/{asked.name}", clock=clock, zone=ZONE))
    a_year_s = took.cpu_s / asked.years
    say(f"a door of {asked.years:g} years from its hanging: {took}, {a_year_s:.1f} s a door-year")


def main() -> int:
    """Measure, and say."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--doors", type=int, default=100)
    parser.add_argument("--years", type=float, default=3.0)
    parser.add_argument(
        "--like", type=int, default=2, help="So many doors are simulated; the rest are copies."
    )
    parser.add_argument("--opens", help="The joint that lets go in each door.")
    parser.add_argument("--from-hanging", action="store_true")
    parser.add_argument("--database")
    asked = parser.parse_args()
    overtime.LOOK_S = overtime.ENDED_S = A_DAY_S  # a first look makes every fit: not what is measured
    doors = fleet(asked.doors, years=asked.years, opens=asked.opens)
    ends = doors[0].start + timedelta(days=round(asked.years * 365.25) - 2)
    clock = HandClock(ends.replace(hour=9))
    with tempfile.TemporaryDirectory(prefix="nights-") as folder:
        url = asked.database or f"sqlite:///{Path(folder) / 'yard.db'}"
        upgrade(url)
        engine = open_engine(url)
        try:
            if asked.from_hanging:
                from_hanging(engine, doors[0], clock)
                return 0
            make(engine, doors, min(asked.like, asked.doors), clock)
            return 0 if measure(engine, doors, clock) else 1
        finally:
            engine.dispose()


if __name__ == "__main__":
    sys.exit(main())
