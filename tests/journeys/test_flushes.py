"""A commit is on the disk before it is acknowledged: flushes are counted, for kill -9 cannot show it.

Source: SQLite documentation, PRAGMA synchronous; PostgreSQL manual, "Reliability"; strace(1).
"""

import shutil
import signal
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from tests.fakes.postgres import cluster
from tests.journeys.acknowledged import Sender
from tests.journeys.needs import often, require
from tests.journeys.ways import way_in
from tests.journeys.yard import Served, make_yard, metric, serving, until

PACKS = often(200, long=2000)
FLUSHES = ("fdatasync(", "fsync(")


@contextmanager
def traced(pids: Sequence[int], folder: Path) -> Iterator[Path]:
    """Every flush of these processes, and of those they start, in a file; while the block runs."""
    strace = require(shutil.which("strace"), "strace: apt-get install strace")
    path = folder / "flushes"
    with (folder / "strace.log").open("wb") as log:
        child = subprocess.Popen(
            [strace, "-f", "-e", "trace=fdatasync,fsync", "-o", path, *(f"--attach={pid}" for pid in pids)],
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
        )
    try:
        until(lambda: b"attached" in (folder / "strace.log").read_bytes() or child.poll(), "strace")
        said = (folder / "strace.log").read_text("utf-8")
        may = None if "not permitted" in said else said
        require(may, "the right to trace a process (ptrace)")
        yield path
    finally:
        child.send_signal(signal.SIGINT)
        child.wait(10)


def publish_one_by_one(served: Served, sender: Sender) -> None:
    """Each pack goes when the one before it was acknowledged: so each has a commit of its own."""
    with sender.connected(served.intake) as connection:
        for _ in range(PACKS):
            sender.send(connection, 1)
            assert sender.take_what_flies(connection)


def flushes_of(path: Path) -> int:
    """How many flushes were done."""
    return sum(any(name in line for name in FLUSHES) for line in path.read_text("utf-8").splitlines())


def commits_of(served: Served) -> int:
    """How many groups were committed."""
    until(lambda: metric(served, "packs_stored_total") == PACKS, "the count")
    return int(metric(served, "commit_seconds_count"))


def test_sqlite_flushes_at_each_commit(tmp_path: Path) -> None:
    with way_in("listener", make_yard(tmp_path / "yard")) as way, serving(way.yard) as served:
        with traced([served.child.pid], tmp_path) as path:
            publish_one_by_one(served, way.sender)
        assert PACKS <= commits_of(served) <= flushes_of(path)


def test_postgresql_flushes_at_each_commit(tmp_path: Path) -> None:
    with (
        cluster() as server,
        way_in("listener", make_yard(tmp_path / "yard", server.url)) as way,
        serving(way.yard) as served,
    ):
        postmaster = int((server.folder / "data" / "postmaster.pid").read_text("utf-8").split()[0])
        children = Path(f"/proc/{postmaster}/task/{postmaster}/children").read_text("utf-8").split()
        with traced([postmaster, *map(int, children)], tmp_path) as path:
            publish_one_by_one(served, way.sender)
        assert PACKS <= commits_of(served) <= flushes_of(path)
