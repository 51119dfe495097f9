"""One door for years: `nice -n 15 python -m tests.bench.years [--years 20] [--folder DIR]`.

Ten-minute instants of eight channels, put straight into a SQLite file in the order in which they would have
come; days rolled up, and looked at, by the service's own code. Then what is read is timed: what a door's page
asks for, and what a night's look reads. Prints both, the size of the file, and the bytes of a reading.
"""

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Engine

from dashboards.create_app import create_app
from server.clock import utc_now
from server.database import Session, open_engine, session_of
from server.doors.example import example_text
from server.doors.file import read_door
from server.doors.register import DoorHung, add_door, enrol_node, find_door
from server.inspection.reading import gather
from server.readings import journals
from server.readings.calibration import CalibrationRecord, add
from server.readings.rollup import recompute_all
from server.readings.write import DAY_MS
from server.schema import upgrade
from server.service.nightly import run_due

SITE, NAME, STEP_MS, SEED = "saltmarsh-yard", "north", 600_000, 20261125
GAUGES = ("lock-hinge-top", "lock-hinge-bottom", "head-latch", "latch-bottom", "latch-top")
CHANNELS = ("air-temp", "air-rh", *GAUGES, "shut")
# middle, swing over the year, noise, decimals
LIKE = {"air-temp": (11.0, 8.0, 2.0, 2), "air-rh": (70.0, 12.0, 5.0, 2), "shut": (1.0, 0.0, 0.0, 0)}
GAUGE = (0.45, 0.03, 0.002, 6)
AT_ONCE = 20_000
BAR_MS, TIMES, HOST = 300.0, 7, "http://127.0.0.1"


def hang(engine: Engine, hung: datetime) -> DoorHung:
    """Enrol the node and hang the door with calibrated gauges."""
    built = read_door(example_text(NAME, hung=hung), where=f"{NAME}.toml").built
    with session_of(engine) as session:
        node = enrol_node(session, SITE, NAME, kind="tracked", zone="Europe/London", now=hung)
        door = add_door(session, built, now=hung)
        node.last_heard_ms = _ms(utc_now())
        journals.journal_ids(session.connection(), [(node.id, "7c1e90ab")], now=hung)
        for name in GAUGES:
            record = CalibrationRecord(
                channel=name,
                from_ms=_ms(hung),
                kind="linear",
                coefficients=((0.0, 10.0),),
                unit_out="mm",
                sigma=0.01,
            )
            add(session, door.channels[name].id, record, now=utc_now)
    return door


def fill(engine: Engine, door: DoorHung, instants: int) -> None:
    """Insert so many instants, and mark their days: seasons, a slow opening, and noise."""
    rng, begin_ms = np.random.default_rng(SEED), _ms(door.hung)
    raw = engine.raw_connection()
    cursor = raw.cursor()
    for first in range(0, instants, AT_ONCE):
        place = np.arange(first, min(first + AT_ONCE, instants))
        ms = (begin_ms + place * STEP_MS).tolist()
        columns = [(door.channels[name].id, _values(name, place, rng)) for name in CHANNELS]
        cursor.execute("BEGIN")
        rows = [(channel, at, values[n]) for n, at in enumerate(ms) for channel, values in columns]
        cursor.executemany("INSERT INTO reading VALUES (?, ?, ?)", rows)
        known = list(zip((place + 1).tolist(), ms, strict=True))
        cursor.executemany("INSERT INTO instant VALUES (1, ?, ?, 0)", known)
        cursor.execute("COMMIT")
    days = range(begin_ms // DAY_MS, (begin_ms + instants * STEP_MS) // DAY_MS + 1)
    marks = [(door.channels[name].id, day) for name in CHANNELS for day in days]
    cursor.execute("BEGIN")
    cursor.executemany("INSERT OR IGNORE INTO dirty_day VALUES (?, ?, 0)", marks)
    cursor.execute("INSERT INTO journal_span VALUES (1, 1, ?)", (instants,))
    cursor.execute("COMMIT")
    raw.close()


def _values(name: str, place: NDArray[np.int64], rng: np.random.Generator) -> list[float]:
    middle, swing, noise, places = LIKE.get(name, GAUGE)
    years = place * STEP_MS / (365.25 * DAY_MS)
    slow = 0.0 if name in LIKE else 0.0005 * years
    wave = swing * np.sin(2 * np.pi * years)
    found: list[float] = np.round(
        middle + wave + slow + noise * rng.standard_normal(place.size), places
    ).tolist()
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Took:
    """Medians of some runs, ms: by the clock, and of the processor, which other work does not stretch."""

    clock_ms: float
    processor_ms: float


def median_of(step: Callable[[], object]) -> Took:
    """How long a step takes; the first run is left out."""
    step()
    took: list[tuple[float, float]] = []
    for _ in range(TIMES):
        begun, used = time.perf_counter(), time.process_time()
        step()
        took.append((time.perf_counter() - begun, time.process_time() - used))
    clock_ms, processor_ms = 1000 * np.median(np.array(took), axis=0)
    return Took(clock_ms=float(clock_ms), processor_ms=float(processor_ms))


def read_times(engine: Engine) -> dict[str, Took]:
    """How long each thing that is read takes."""

    def writing() -> AbstractContextManager[Session]:
        return session_of(engine)

    app = create_app(
        sessions=lambda: Session(engine),
        writing=writing,
        clock=utc_now,
        health=lambda: None,
        hosts=["127.0.0.1"],
        secret=bytes(32),
        zone=None,
    )
    client = app.test_client()

    def get(path: str) -> None:
        answer = client.get(path, base_url=HOST)
        # a figure of what nobody could say yet is none
        assert answer.status_code in ((200, 404) if path.startswith("/figures") else (200,)), path

    def night() -> None:
        with Session(engine) as session:
            gather(session, find_door(session, f"{SITE}/{NAME}"), _ms(utc_now()) // DAY_MS)

    return {
        "a night's look reads": median_of(night),
        "a door's page": median_of(lambda: get(f"/doors/{SITE}/{NAME}")),
        "its data": median_of(lambda: get(f"/api/v1/doors/{SITE}/{NAME}")),
        "its trend": median_of(lambda: get(f"/figures/{SITE}/{NAME}/trend.json")),
        "a week of a channel": median_of(
            lambda: get(f"/api/v1/readings?channel={SITE}/{NAME}/latch-top&limit=1008")
        ),
    }


def say(words: str) -> None:
    """A line, at once."""
    sys.stdout.write(f"{words}\n")
    sys.stdout.flush()


def measure(folder: Path, years: float) -> bool:
    """Make the file, unless it is there, and read it; whether all reads keep to the bar."""
    path, instants = folder / "years.db", round(years * 365.25 * DAY_MS / STEP_MS)
    url = f"sqlite:///{path}"
    is_new = not path.exists()
    upgrade(url)
    engine = open_engine(url)
    if is_new:
        begun = time.perf_counter()
        door = hang(engine, utc_now() - timedelta(milliseconds=(instants + 1) * STEP_MS))
        fill(engine, door, instants)
        say(f"{instants * len(CHANNELS)} readings put in, {time.perf_counter() - begun:.0f} s")
        begun = time.perf_counter()
        recompute_all(engine)
        say(f"days rolled up, {time.perf_counter() - begun:.0f} s")
        begun = time.perf_counter()
        nights = run_due(engine, clock=utc_now, look_at="05:00", zone="Europe/London")
        say(f"{len(nights)} nights looked at, {time.perf_counter() - begun:.0f} s")
    found = read_times(engine)
    engine.dispose()
    size = path.stat().st_size
    say(f"the file: {size / 1e6:.0f} MB, {size / (instants * len(CHANNELS)):.1f} bytes a reading, all tables")
    for what, took in found.items():
        over = "" if took.clock_ms <= BAR_MS else f"  over {BAR_MS:.0f}"
        say(f"{what}: {took.clock_ms:.0f} ms, {took.processor_ms:.0f} of them the processor's{over}")
    return max(took.clock_ms for took in found.values()) <= BAR_MS


def main() -> int:
    """Measure, and say."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--years", type=float, default=20.0)
    parser.add_argument("--folder", type=Path, help="Keep the file here, and use it again.")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as own:
        return 0 if measure(asked.folder or Path(own), asked.years) else 1


def _ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)


if __name__ == "__main__":
    sys.exit(main())
