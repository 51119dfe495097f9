"""The real service for the bench, in a folder of its own, and what it used of the processors."""

import os
import re
import signal
import statistics
import subprocess
import sys
import sysconfig
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from server.auth.credentials import issue
from server.clock import utc_now
from server.database import open_engine, session_of
from server.doors.register import add_channels, enrol_node
from server.schema import upgrade
from tests.bench.intake.packs import CHANNELS

USER = "saltmarsh-yard.north.1"
TICKS_A_S = os.sysconf("SC_CLK_TCK")
STOP_S, LOOK_S, IDLE_CPU_S = 30.0, 1.0, 0.05
HANGTRUE = str(Path(sysconfig.get_path("scripts")) / "hangtrue")


@dataclass(frozen=True, slots=True, kw_only=True)
class Took:
    """Seconds on the wall, and of processor time of the side that is measured."""

    wall_s: float
    cpu_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """A service that runs: where nodes connect, the password of node `north`, its process."""

    port: int
    password: str
    pid: int

    def cpu_s(self) -> float:
        """Processor time that it used so far, without its pages."""
        return cpu_s_of(self.pid)


def cpu_s_of(pid: int) -> float:
    """Processor time, user and system, of a process. Source: proc(5), stat, fields 14 and 15."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_A_S


def make_database(url: str) -> str:
    """An empty database with node `north` enrolled; its password."""
    upgrade(url)
    engine = open_engine(url)
    with session_of(engine) as session:
        node = enrol_node(
            session, "saltmarsh-yard", "north", kind="tracked", zone="Europe/London", now=utc_now()
        )
        names = [(f"saltmarsh-yard/north/{name}", unit) for name, unit, _ in CHANNELS]
        add_channels(session, node, names, now=utc_now())
        password = issue(session, node_id=node.id, user=USER, role="node", generation=1, now=utc_now())
    engine.dispose()
    return password


@contextmanager
def service(
    folder: Path, *, intake: str = "", url: str | None = None, program: Sequence[str] = (HANGTRUE,)
) -> Iterator[Served]:
    """The real service on an empty database, SQLite's unless `url` names one.

    `intake`: more lines of its settings; `program`: what runs in the place of `hangtrue`.
    """
    database = url or f"sqlite:///{folder / 'bench.db'}"
    password = make_database(database)
    (folder / "hangtrue.toml").write_text(
        f'state_dir = "{folder}"\ndatabase = "{database}"\n[intake]\nbind = "127.0.0.1:0"\n'
        f'rate_per_minute = 0\n{intake}\n[pages]\nbind = "127.0.0.1:0"\n'
    )
    command = [*program, "--config", str(folder / "hangtrue.toml"), "serve"]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    try:
        assert child.stdout is not None
        found = re.search(r"readings: .*?:(\d+)", child.stdout.readline())
        assert found is not None, "the service did not start"
        _settle(child.pid)
        yield Served(port=int(found[1]), password=password, pid=child.pid)
    finally:
        child.send_signal(signal.SIGTERM)
        child.wait(STOP_S)


def _settle(pid: int) -> None:
    """Wait until a service and its pages have started: they would take a core from what is measured."""
    until_s, before_s = time.monotonic() + STOP_S, -1.0
    while (now_s := sum(map(cpu_s_of, [pid, *_children(pid)]))) > before_s + IDLE_CPU_S:
        if time.monotonic() > until_s:
            raise TimeoutError("the service does not come to rest")
        before_s = now_s
        time.sleep(LOOK_S)


def _children(pid: int) -> list[int]:
    """The processes that a process has started. Source: proc(5), task/[tid]/children."""
    found = [each.read_text().split() for each in Path(f"/proc/{pid}/task").glob("*/children")]
    return [int(child) for some in found for child in some]


def ran(module: str, *arguments: object) -> Took:
    """What a program of the bench printed: seconds on the wall and of its processor time."""
    command = [sys.executable, "-m", f"tests.bench.intake.{module}", *map(str, arguments)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    wall_s, cpu_s = done.stdout.split()
    return Took(wall_s=float(wall_s), cpu_s=float(cpu_s))


def published(served: Served, shape: str, count: int, window: int, *more: object) -> Took:
    """Send packs to a service; the generator's seconds, and the service's processor time."""
    way = (served.port, USER, served.password, shape)
    ran("generator", *way, 0, window, *more)  # derives the password: no pack's cost
    before_s = served.cpu_s()
    took = ran("generator", *way, count, window, *more)
    return Took(wall_s=took.wall_s, cpu_s=served.cpu_s() - before_s)


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
