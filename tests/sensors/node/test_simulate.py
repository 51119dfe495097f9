"""The simulated node: its years kept before anything is sent, the same again from the same seed."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest

from sensors.config import Broker, NodeError, NodeFile
from sensors.node import live, simulate
from sensors.node.live import Times, after, keep_live, layout_of
from sensors.node.simulate import SimulateOptions
from sensors.publisher.choose import Pace
from sensors.publisher.publisher import Publisher, Surroundings
from sensors.sources.simulated.door import SimulatedDoor
from sensors.spool import Spool
from tests.fakes.transport import HandTransport

START = "2026-01-05T08:00:00Z"
START_MS = 1_767_600_000_000
OPTIONS = SimulateOptions(door="north", years=0.02, start=START)


@contextmanager
def publisher(folder: Path) -> Iterator[Publisher]:
    node = NodeFile(site="saltmarsh-yard", node="north", state_dir=folder, broker=Broker(), channels=())
    with Spool(folder / "spool.db", journal_id=lambda: "7c1e90ab") as spool:
        around = Surroundings(
            now_ms=lambda: 0, monotonic=lambda: 0.0, chance=Random(1), say=lambda _said: None
        )
        yield Publisher(node, spool, HandTransport(), pace=Pace(), around=around)


def journalled(folder: Path) -> list[tuple[int, tuple[tuple[int, int], ...]]]:
    door = SimulatedDoor(door="north", seed=1, start_ms=START_MS, years=0.02)
    with publisher(folder) as made:
        made.spool.set_layout(tuple((each.name, each.unit, each.decimals) for each in door.channels))
        upcoming = after(door.instants(live_step_s=600), made.spool.last_ms())
        live = simulate._journal_history(made, door, upcoming, lambda *_said, **_how: None)
        assert next(live).ms == door.history_end_ms == START_MS + 117 * 5_400_000
        assert next(live).ms == door.history_end_ms + 600_000
        return [(each.ms, each.values) for each in made.spool.read(1, made.spool.head)]


def test_history_is_kept_once_and_the_same_each_time(tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    first = journalled(tmp_path)
    assert len(first) == 117  # 0.02 years each 5400 s
    assert journalled(tmp_path) == first, "a second run of the folder added or changed instants"
    assert journalled(tmp_path / "other") == first


def test_a_folder_goes_on_as_it_began_or_not_at_all(tmp_path: Path) -> None:
    assert simulate._agreed_start(tmp_path, OPTIONS) == START_MS
    later = SimulateOptions(door="north", years=0.02)
    assert simulate._agreed_start(tmp_path, later) == START_MS, "the start was not kept"
    with pytest.raises(NodeError) as caught:
        simulate._agreed_start(tmp_path, SimulateOptions(door="north", years=0.5, start=START))
    assert "--fresh" in caught.value.needed
    simulate._throw_away(tmp_path)
    assert simulate._agreed_start(tmp_path, SimulateOptions(door="south", start=START)) == START_MS


def test_live_time_keeps_each_instant_when_it_has_come(tmp_path: Path) -> None:
    door = SimulatedDoor(door="north", seed=1, start_ms=START_MS, years=0.02)
    history_ms = [each.ms for each in door.instants()][-1]
    at_s, stopping = [0.0], threading.Event()

    def monotonic() -> float:
        at_s[0] += 300.0
        if at_s[0] > 3600.0:
            stopping.set()
        return at_s[0]

    times = Times(now_ms=lambda: history_ms + 86_400_000, monotonic=monotonic, stopping=stopping)
    with publisher(tmp_path) as made:
        made.spool.set_layout(layout_of(()))
        upcoming = after(door.instants(live_step_s=live.sample_s(made)), history_ms)
        keep_live(made, upcoming, times, speed=1.0)
        kept = [each.ms for each in made.spool.read(1, made.spool.head)]
    assert 4 <= len(kept) <= 7
    assert all(later - earlier == 600_000 for earlier, later in pairwise(kept))
