"""Whole simulated doors through the real service: what is said of them each night, against the truth.

    python -m tests.bench.whole_doors make --folder F [--doors 20] [--years 6] [--wire]
    python -m tests.bench.whole_doors look --folder F [--workers 2]
    python -m tests.bench.whole_doors tell --folder F
    python -m tests.bench.whole_doors table --folder F

Three fleets, each with a database of its own: `sound`, in which no joint opens; `lock`, the lock rail's lets
go (gauges 170 mm apart); `top`, the top rail's (90 mm). `look` goes from hanging to the end, night by night;
`tell` has the ledger say each night what it would have said then; `table` counts what was said and raised.
Invented data.
"""

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from server.alerts.steps import STEPS
from server.alerts.tables import AlertEventRow, AlertRow
from server.database import open_engine
from server.doors.register import find_door
from server.doors.tables import Node
from server.inspection.said import Said, said_of
from server.readings.tables import Reading
from server.schema import upgrade
from server.service.nightly import look_from_hanging
from tests.bench.asked import Asked, Readings, fleet
from tests.bench.told_nights import copied, told_each_night
from tests.bench.truths import Truth, read_truth
from tests.bench.yard import channels_of, make_days, make_nodes, put, send
from tests.fakes.clock import HandClock
from tests.journeys.yard import SITE, Yard, make_yard, serving

FloatArray = NDArray[np.float64]
YEAR, SETTLED = 365.25, 90
AT_YEARS = (2, 3, 6)
SAYING = ("raised", "rose")
COPIED = (
    *("site", "node", "channel", "door", "door_version", "calibration"),
    *("journal", "journal_span", "instant", "reading"),
)
LEAST_RATE, LEAST_RACK, LEAST_SHARE = 0.03, 0.12, 0.8  # alerts, section 11: what of the leaf is false
FLEETS: Mapping[str, dict[str, object]] = {
    "sound": {"first_seed": 1001},
    "lock": {"first_seed": 2001, "opens": "lock-hinge"},
    "top": {"first_seed": 3001, "opens": "top-hinge", "pair_mm": 90.0},
}


def doors_of(name: str, count: int, years: float) -> tuple[Asked, ...]:
    """The doors of a fleet."""
    return fleet(count, years=years, **FLEETS[name])  # type: ignore[arg-type]  # keywords of `fleet`


def yard_of(folder: Path, name: str) -> Yard:
    """The folder and database of a fleet."""
    return make_yard(folder / name)


def make(asked: argparse.Namespace) -> None:
    """Put each fleet's readings into its database."""
    for name in asked.fleets:
        yard, doors = yard_of(asked.folder, name), doors_of(name, asked.doors, asked.years)
        began = time.monotonic()
        if asked.wire:
            make_nodes(yard, doors)
            with serving(yard) as served:
                send(yard, served, doors, with_days=False)
        else:
            upgrade(yard.database)
            engine = open_engine(yard.database)
            put(engine, doors)
            engine.dispose()
        _print(f"{name}: {len(doors)} doors of {asked.years:g} years in {time.monotonic() - began:.0f} s")


def look(asked: argparse.Namespace) -> None:
    """Look at every door from its hanging to the end of its readings, in a copy on which nobody looked."""
    for name in asked.fleets:
        # the doors and all that was read of them; of what the service said meanwhile nothing
        made = Path(yard_of(asked.folder, name).database.removeprefix("sqlite:///"))
        copied(made, _looks_of(asked.folder, name), COPIED)
        _make_days(_looks_of(asked.folder, name), doors_of(name, asked.doors, asked.years))
    tasks = [
        (f"sqlite:///{_looks_of(asked.folder, name)}", one.name, _end(one, asked.until or one.years))
        for name in asked.fleets
        for one in doors_of(name, asked.doors, asked.years)
    ]
    with ProcessPoolExecutor(asked.workers) as pool:
        futures = [pool.submit(_look_at, *task) for task in tasks]
        for done in as_completed(futures):
            _print(done.result())


def _looks_of(folder: Path, name: str) -> Path:
    return folder / name / "looks.db"


def _told_of(folder: Path, name: str) -> Path:
    return folder / name / "told.db"


def _make_days(database: Path, doors: Sequence[Asked]) -> None:
    """The days of all that was sent, which for years at once the service makes in its idle minutes."""
    engine = open_engine(f"sqlite:///{database}")
    for asked in doors:
        with Session(engine) as session, session.begin():
            channels = channels_of(session, asked.name)
            stored = {
                name: session.execute(
                    select(Reading.t_ms, Reading.value)
                    .where(Reading.channel_id == one.id, Reading.t_ms < asked.simulated.history_end_ms)
                    .order_by(Reading.t_ms)
                ).all()
                for name, one in channels.items()
            }
            values = {name: np.array([value for _, value in rows]) for name, rows in stored.items()}
            ms = np.array([at for at, _ in stored["shut"]], dtype=np.int64)
            if any(one.shape != ms.shape for one in values.values()) or ms.size != asked.simulated.count:
                raise AssertionError(f"{asked.name}: not every reading has come")
            # what its box last said of what it still has to send is from before the last was stored
            session.get_one(Node, find_door(session, f"{SITE}/{asked.name}").node_id).status = None
            make_days(session, channels, Readings(ms=ms, values=values))
    engine.dispose()


def _look_at(database: str, name: str, end: datetime) -> str:
    engine = open_engine(database)
    cpu, began = time.process_time(), time.monotonic()
    done = look_from_hanging(engine, f"{SITE}/{name}", clock=HandClock(end), zone="UTC")
    engine.dispose()
    failed = sum(one.status != "done" for one in done)
    took = time.monotonic() - began
    return (
        f"{name}: {len(done)} nights, {failed} failed, {took:.0f} s, {time.process_time() - cpu:.0f} s of CPU"
    )


def _end(one: Asked, years: float) -> datetime:
    last = one.start + timedelta(days=years * YEAR)
    return datetime(last.year, last.month, last.day, 5, tzinfo=UTC)


class Seen:
    """What was said of one door, what was raised, and its truth; days are counted from its hanging."""

    def __init__(self, session: Session, asked: Asked, truth: Truth) -> None:
        door = find_door(session, f"{SITE}/{asked.name}")
        self.asked, self.truth = asked, truth
        self.hung = int(asked.start.timestamp()) // 86_400
        self.by_series: dict[str, list[Said]] = {}
        for one in said_of(session, door.id):
            self.by_series.setdefault(one.series, []).append(one)
        rows = session.execute(
            select(AlertRow.topic, AlertRow.about, AlertEventRow.step, AlertEventRow.slot)
            .join(AlertRow, AlertRow.id == AlertEventRow.alert_id)
            .where(AlertRow.door_id == door.id, AlertEventRow.kind.in_(SAYING))
            .order_by(AlertEventRow.id)
        )
        self.events = [(topic, about, step, self._night(slot)) for topic, about, step, slot in rows]

    def _night(self, slot: str) -> int:
        return (date.fromisoformat(slot) - date(1970, 1, 1)).days - self.hung

    @property
    def joint(self) -> str | None:
        """The joint that lets go."""
        return self.asked.opening[0] if isinstance(self.asked.opening, tuple) else None

    def at(self, key: str, years: float) -> Said | None:
        """What was said first of a series on the night that ends so many years."""
        end = self.hung + round(years * YEAR)
        nights = [one for one in self.by_series.get(key, ()) if one.revision == 1 and one.day < end]
        return nights[-1] if nights and nights[-1].day >= end - 3 else None

    def rate(self, key: str, day: int) -> float:
        """The truth's mean rate from day 90 to a day since 1970, a year."""
        stays = self.truth.stays(key)
        last = day - self.hung
        return float(stays[last] - stays[SETTLED]) / (last - SETTLED) * YEAR

    def false_messages(self) -> list[tuple[str, str, int]]:
        """Messages about joint or leaf, soon or today, to which no truth answers: step, cause, day."""
        spoken = [
            one for one in self.events if STEPS[one[2]].weight != "note" and one[0] in ("joint", "leaf")
        ]
        return [
            (step, about, night) for _, about, step, night in spoken if self._is_false(step, about, night)
        ]

    def _is_false(self, step: str, about: str, night: int) -> bool:
        day = min(night, self.truth.stays("droop").size - 1)
        if step.startswith("joint"):
            opening = self.asked.opening
            return not (
                isinstance(opening, tuple) and about.endswith(f"/{opening[0]}") and night >= opening[1]
            )
        if step == "leaf_set":
            return max(self.rate(key, self.hung + day) for key in ("droop", "rack")) < LEAST_RATE
        stays = {
            key: float(self.truth.stays(key)[day] - self.truth.stays(key)[14:28].mean())
            for key in ("droop", "rack")
        }
        limit = self._limit("droop")
        return stays["rack"] < LEAST_RACK and (limit is None or stays["droop"] < LEAST_SHARE * limit)

    def _limit(self, key: str) -> float | None:
        bounds = [one.bound for one in self.by_series.get(key, ()) if one.bound is not None]
        return bounds[-1] if bounds else None

    def lead(self) -> tuple[int | None, int | None]:
        """The night on which the joint's opening was said first, and the day on which it is at its limit."""
        key = f"turn:{self.joint}"
        said = [
            night
            for _, about, step, night in self.events
            if about.endswith(f"/{self.joint}") and step in ("joint_opening", "joint_open")
        ]
        limit, stays = self._limit(key), self.truth.stays(key)
        over = np.flatnonzero(stays - stays[14:28].mean() >= (np.inf if limit is None else limit))
        return (said[0] if said else None), (int(over[0]) if over.size else None)


def tell(asked: argparse.Namespace) -> None:
    """Take what the looks found into a ledger, night by night."""
    with ProcessPoolExecutor(asked.workers) as pool:
        told = [
            pool.submit(
                told_each_night,
                _looks_of(asked.folder, name),
                _told_of(asked.folder, name),
                [f"{SITE}/{one.name}" for one in doors_of(name, asked.doors, asked.years)],
            )
            for name in asked.fleets
        ]
        for one in told:
            one.result()


def table(asked: argparse.Namespace) -> None:
    """Print what was said and raised against the truth."""
    fleets = {name: _seen(asked, name) for name in asked.fleets}
    for kind in ("droop", "rack", "turn:", "opening:"):
        for years in AT_YEARS:
            for name, doors in fleets.items():
                _print_rates(f"{name:6} {kind:9} {years} y", doors, kind, years)
    for name, doors in fleets.items():
        false = [(one.asked.name, *found) for one in doors for found in one.false_messages()]
        door_years = sum(one.asked.years for one in doors)
        alarms = _false_alarms(doors)
        _print(f"{name}: {len(false)} false messages in {door_years:g} door-years: {false}")
        _print(f"{name}: false alarms of the series themselves: {alarms}")
        if name != "sound":
            _print_leads(name, doors)


def _seen(asked: argparse.Namespace, name: str) -> list[Seen]:
    engine = open_engine(f"sqlite:///{_told_of(asked.folder, name)}", reader=True)
    with tempfile.TemporaryDirectory() as folder, Session(engine) as session:
        found = []
        for one in doors_of(name, asked.doors, asked.years):
            one.simulated.write_truth(folder, one.name)
            found.append(Seen(session, one, read_truth(Path(folder), one.name)))
    engine.dispose()
    return found


def _print_rates(label: str, doors: Sequence[Seen], kind: str, years: int) -> None:
    asked = [
        (door, key, one)
        for door in doors
        for key in door.by_series
        if key.startswith(kind) and (one := door.at(key, years))
    ]
    told = [
        (one, door.rate(key, one.day))
        for door, key, one in asked
        if one.low is not None and one.high is not None
    ]
    if not asked:
        return
    held = [low <= truth <= high for one, truth in told for low, high in [(one.low or 0.0, one.high or 0.0)]]
    error = np.array([(one.rate or 0.0) - truth for one, truth in told])
    half = np.array([((one.high or 0.0) - (one.low or 0.0)) / 2.0 for one, _ in told])
    if not told:
        _print(f"{label}: told 0 of {len(asked)}")
        return
    _print(
        f"{label}: told {len(told)} of {len(asked)}, held {np.mean(held):.3f}, "
        f"rmse {np.sqrt(np.mean(error**2)):.4f}, half-width {np.median(half):.4f}"
    )


def _false_alarms(doors: Iterable[Seen]) -> dict[str, int]:
    """How often each kind of series latched although its joint was sound; droop and rack are not counted."""
    count: dict[str, int] = {}
    for door in doors:
        for key, said in door.by_series.items():
            kind, _, joint = key.partition(":")
            if kind in ("turn", "opening") and joint != door.joint:
                latches = [one.alarm is True for one in said if one.revision == 1]
                count[kind] = count.get(kind, 0) + sum(
                    b and not a for a, b in zip([False, *latches], latches, strict=False)
                )
    return count


def _print_leads(name: str, doors: Sequence[Seen]) -> None:
    leads = [(door.asked.name, *door.lead()) for door in doors]
    reached = [(said, over) for _, said, over in leads if over is not None]
    early = [over - said if said is not None else -over for said, over in reached]
    told = sum(lead >= 0 for lead in early)
    spread = np.percentile(early, (10, 50, 90)) if early else np.zeros(0)
    _print(f"{name}: {len(reached)} of {len(leads)} reach the limit, {told} said before")
    _print(f"{name}: lead, 10th, 50th, 90th percentile: {np.round(spread)} days")
    for each in leads:
        _print(f"    {each[0]}: said on day {each[1]}, at its limit on day {each[2]}")


def _print(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def main() -> int:
    """Make, look, tell or print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    steps: Mapping[str, Callable[[argparse.Namespace], None]] = {
        "make": make,
        "look": look,
        "tell": tell,
        "table": table,
    }
    parser.add_argument("step", choices=list(steps))
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--fleets", nargs="+", default=["sound", "lock", "top"], choices=list(FLEETS))
    parser.add_argument("--doors", type=int, default=20)
    parser.add_argument("--years", type=float, default=6.0)
    parser.add_argument("--until", type=float, help="years after which no more nights are looked at")
    parser.add_argument("--wire", action="store_true")
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args()
    steps[asked.step](asked)
    return 0


if __name__ == "__main__":
    sys.exit(main())
