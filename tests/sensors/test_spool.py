"""The spool: on disk before anything is sent, kept until stored, and whole after a kill."""

import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensors.spool import Sampled, Spool, SpoolError, View, merged, without

LAYOUT = (("air-temp", "Cel", 2), ("gap", "/", 6))


def sampled(ms: int) -> Sampled:
    return Sampled(ms=ms, clock="utc", boot=1, values=((0, 837), (1, 412305)))


@pytest.fixture
def spool(tmp_path: Path) -> Iterator[Spool]:
    with Spool(tmp_path / "spool.db", journal_id=lambda: "7c1e90ab") as spool:
        spool.set_layout(LAYOUT)
        yield spool


def test_kept_over_a_restart(spool: Spool) -> None:
    spool.append([sampled(1000), sampled(2000)])
    with Spool(spool.path) as again:
        assert (again.journal, again.head, again.tail) == ("7c1e90ab", 2, 1)
        assert [(each.seq, each.ms, each.values) for each in again.read(1, 9)] == [
            (1, 1000, ((0, 837), (1, 412305))),
            (2, 2000, ((0, 837), (1, 412305))),
        ]
        assert again.layout_at(2) == (1, LAYOUT)


def test_two_instants_never_share_a_millisecond(spool: Spool) -> None:
    spool.append([sampled(1000)])
    spool.append([sampled(1000)])
    assert [each.ms for each in spool.read(1, 2)] == [1000, 1001]


def test_a_new_layout_holds_from_the_next_instant(spool: Spool) -> None:
    spool.append([sampled(1000)])
    spool.set_layout((("air-temp", "Cel", 1),))
    spool.append([sampled(2000)])
    assert (spool.layout_at(1)[0], spool.layout_at(2)[0]) == (1, 2)


def test_a_statement_replaces_the_view_and_may_shrink_it(spool: Spool) -> None:
    spool.append([sampled(1000 * k) for k in range(1, 11)])
    assert spool.take_view(View(t=5, upto=3, have=((6, 7),), held=((9, 9),)))
    assert spool.waiting() == [(4, 5), (8, 8), (10, 10)]
    assert not spool.take_view(View(t=5, upto=10))
    assert spool.take_view(View(t=6, upto=2))
    assert spool.waiting() == [(3, 10)]
    with Spool(spool.path) as again:
        assert again.view == View(t=6, upto=2)


def test_a_full_ring_overwrites_the_oldest_and_counts_what_was_lost(spool: Spool) -> None:
    spool.append([sampled(1000 * k) for k in range(1, 11)])
    spool.take_view(View(t=1, upto=4))
    assert spool.forget(keep=4) == 2  # 5 and 6 were not stored
    assert (spool.tail, spool.lost, len(spool.read(1, 10))) == (7, 2, 4)
    assert spool.forget(keep=4) == 0


def test_a_failed_append_keeps_nothing(spool: Spool) -> None:
    spool._db.execute("PRAGMA max_page_count = 12")
    with pytest.raises(SpoolError, match="full"):
        spool.append([sampled(1000 * k) for k in range(1, 5000)])
    assert (spool.head, spool.read(1, 1)) == (0, [])


def test_a_file_of_another_form_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "spool.db"
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version=9")
    db.close()
    with pytest.raises(SpoolError, match="form 9"), Spool(path):
        pass


def test_a_damaged_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "spool.db"
    path.write_bytes(b"not a database" * 100)
    with pytest.raises(SpoolError, match="not a database"), Spool(path):
        pass


RUNS = st.lists(
    st.tuples(st.integers(1, 60), st.integers(0, 9)).map(lambda pair: (pair[0], sum(pair))), max_size=8
)


def numbers(runs: list[tuple[int, int]]) -> set[int]:
    return {number for first, last in runs for number in range(first, last + 1)}


@settings(derandomize=True, max_examples=300)
@given(RUNS, RUNS)
def test_runs_are_sets(runs: list[tuple[int, int]], taken: list[tuple[int, int]]) -> None:
    whole = merged(runs)
    assert numbers(whole) == numbers(runs)
    assert all(later[0] > earlier[1] + 1 for earlier, later in pairwise(whole))
    assert numbers(without(whole, taken)) == numbers(runs) - numbers(taken)


WRITER = """
import sys
from pathlib import Path
from sensors.spool import Sampled, Spool
with Spool(Path(sys.argv[1])) as spool:
    spool.set_layout((("gap", "/", 6),))
    while True:
        head = spool.append([Sampled(ms=spool.head + 1, clock="utc", boot=1, values=((0, spool.head + 1),))])
        sys.stdout.write(f"{head}\\n")
        sys.stdout.flush()
"""


def test_killed_at_any_moment_nothing_reported_is_missing(tmp_path: Path) -> None:
    """Process death, ten times; a power cut rests on the disk."""
    path, reported = tmp_path / "spool.db", 0
    for kill in range(10):
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, text=True
        )
        assert writer.stdout is not None
        for _ in range(3 + 7 * kill):
            reported = int(writer.stdout.readline())
        os.kill(writer.pid, signal.SIGKILL)
        rest = writer.communicate()[0].split("\n")[:-1]
        reported = int(rest[-1]) if rest else reported
        with Spool(path) as spool:
            assert spool.is_sound()
            assert reported <= spool.head <= reported + 1
            assert [each.values[0][1] for each in spool.read(1, spool.head)] == list(range(1, spool.head + 1))
