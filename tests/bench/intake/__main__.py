"""Listener against raw SQLite: `python -m tests.bench.intake [--pairs 7] [--anyway]`.

Starts the real service (`hangtrue serve`) in a folder of its own for each run, driven by another process.
Prints the ratio of rates, the pack shape and the disk's flush time. Says when the pairs differ.
"""

import argparse
import os
import re
import signal
import statistics
import subprocess
import sys
import sysconfig
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from server.auth.credentials import issue
from server.clock import utc_now
from server.database import open_engine, session_of
from server.doors.register import add_channels, enrol_node
from server.schema import upgrade
from tests.bench.intake.packs import CHANNELS, SHAPES

COUNTS = {"live": 20_000, "back-fill": 4_000}
WINDOWS = (20, 200)
SPREAD = 0.25


def flush_ms(folder: Path) -> float:
    """Median time of a small append and fdatasync, ms."""
    times = []
    with (folder / "flush").open("wb") as file:
        for _ in range(50):
            began = time.perf_counter()
            file.write(b"x" * 4096)
            file.flush()
            os.fdatasync(file.fileno())
            times.append(time.perf_counter() - began)
    return 1000 * statistics.median(times)


@contextmanager
def service(folder: Path) -> Iterator[tuple[int, str]]:
    """The real service on a database of its own with one node enrolled: its port and the node's password."""
    url = f"sqlite:///{folder / 'bench.db'}"
    upgrade(url)
    engine = open_engine(url)
    with session_of(engine) as session:
        node = enrol_node(
            session, "saltmarsh-yard", "north", kind="tracked", zone="Europe/London", now=utc_now()
        )
        names = [(f"saltmarsh-yard/north/{name}", unit) for name, unit, _ in CHANNELS]
        add_channels(session, node, names, now=utc_now())
        user = "saltmarsh-yard.north.1"
        password = issue(session, node_id=node.id, user=user, role="node", generation=1, now=utc_now())
    engine.dispose()
    (folder / "hangtrue.toml").write_text(
        f'state_dir = "{folder}"\ndatabase = "{url}"\n[intake]\nbind = "127.0.0.1:0"\nrate_per_minute = 0\n'
        '[pages]\nbind = "127.0.0.1:0"\n'
    )
    command = [
        str(Path(sysconfig.get_path("scripts")) / "hangtrue"),
        "--config",
        str(folder / "hangtrue.toml"),
        "serve",
    ]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    try:
        assert child.stdout is not None
        found = re.search(r"readings: 127\.0\.0\.1:(\d+)", child.stdout.readline())
        assert found is not None, "the service did not start"
        yield int(found[1]), password
    finally:
        child.send_signal(signal.SIGTERM)
        child.wait(30)


def seconds(module: str, *arguments: object) -> float:
    """What a program of the bench printed."""
    command = [sys.executable, "-m", f"tests.bench.intake.{module}", *map(str, arguments)]
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def pair(shape: str, window: int) -> tuple[float, float]:
    """Rates, readings a second: the listener's and the baseline's."""
    count = COUNTS[shape]
    readings = count * SHAPES[shape] * len(CHANNELS)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with service(folder) as (port, password):
            ours = seconds("generator", port, "saltmarsh-yard.north.1", password, shape, count, window)
        raw = seconds("baseline", folder / "raw.db", shape, count, window)
    return readings / ours, readings / raw


def main() -> int:
    """Run all shapes and windows; 1 when the machine was too busy to say."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=7)
    parser.add_argument("--anyway", action="store_true", help="report however much the pairs differ")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        sys.stdout.write(f"flush {flush_ms(Path(name)):.2f} ms, {asked.pairs} pairs\n")
    wide = False
    for shape in SHAPES:
        for window in WINDOWS:
            pair(shape, window)
            pairs = [pair(shape, window) for _ in range(asked.pairs)]
            ratios = sorted(ours / raw for ours, raw in pairs)
            middle = statistics.median(ratios)
            wide |= max(ratios[-1] - middle, middle - ratios[0]) > SPREAD * middle
            ours, raw = (statistics.median(side) for side in zip(*pairs, strict=True))
            sys.stdout.write(
                f"{shape}, {SHAPES[shape]} x {len(CHANNELS)}, window {window}: over executemany {middle:.2f}"
                f" ({ratios[0]:.2f} to {ratios[-1]:.2f}); {ours:,.0f} and {raw:,.0f} readings/s\n"
            )
    if wide and not asked.anyway:
        sys.stdout.write(
            "the pairs differ by more than a quarter: a busy machine, so these figures do not count\n"
        )
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
