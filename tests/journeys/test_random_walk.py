"""Faults in any order: what a node has freed is stored, what it still has arrives, and each loss is known.

Source: the wire's guarantees G1 to G4, and the list of what may happen between a node and the store.
"""

import itertools
from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine

from sensors.publisher.publisher import Publisher
from sensors.publisher.transport import Event
from sensors.spool import View, merged
from server.clock import utc_now
from tests.intake.yard import enrol_world, rows
from tests.journeys.needs import often
from tests.journeys.walk import ACTIONS, STEP_MS, World

WALKS, STEPS = often(5, long=400), often(150, long=300)
WEIGHED = [name for name, (weight, _) in ACTIONS.items() for _ in range(weight)]
walks = st.tuples(
    st.lists(st.sampled_from(WEIGHED), min_size=STEPS, max_size=STEPS), st.integers(0, 2**32 - 1)
)


def test_no_walk_loses_what_it_may_not(engine: Engine, tmp_path: Path) -> None:
    met = walked(engine, tmp_path)
    assert min(met.values()) > 0, met  # the walks came to where it could have gone wrong
    assert rows(engine, "SELECT count(*) FROM quarantine") == [(0,)]


def test_a_node_that_believes_the_broker_is_found_out(
    engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The mutant: what the broker took counts as stored, whatever a statement says."""
    taken = Publisher._on_taken

    def believe(self: Publisher, event: Event) -> None:
        flying = self.flow.in_flight
        taken(self, event)
        if flying is not None and event.mid == flying[0]:
            run = (flying[1].first, flying[1].last)
            view = self.spool.view
            have = tuple(merged([*view.have, run]))
            self.spool.take_view(View(t=view.t + 1, upto=view.upto, have=have, held=()))

    monkeypatch.setattr(Publisher, "_on_taken", believe)
    monkeypatch.setattr(Publisher, "_on_statement", lambda _self, _payload: None)
    with pytest.raises(AssertionError, match=r"G1|G2|G4"):
        walked(engine, tmp_path)


def walked(engine: Engine, folder: Path) -> dict[str, int]:
    """Walk, and check each; how often the walks came to where it could have gone wrong."""
    enrol_world(engine)
    number, met = itertools.count(), {"freed": 0, "full": 0, "wiped": 0, "redelivered": 0}
    # each walk has a year of its own, so that no key of another is met; all lie in the past
    begin_ms = round(utc_now().timestamp() * 1000) - 2 * WALKS * STEPS * STEP_MS

    @settings(
        max_examples=WALKS,
        deadline=None,
        derandomize=True,
        database=None,
        phases=(Phase.generate,),
        suppress_health_check=list(HealthCheck),
    )
    @given(walks)
    def walk(walk: tuple[list[str], int]) -> None:
        names, seed = walk
        count = next(number)
        path = folder / f"spool-{count}.db"
        now_ms = begin_ms + 2 * count * STEPS * STEP_MS
        world = World(engine, path, Random(seed), now_ms=now_ms, number=count)
        try:
            for name in names:
                ACTIONS[name][1](world)
            check(world)
        finally:
            world.end()
        for key, more in (
            ("freed", len(world.freed)),
            ("full", len(world.lost_full)),
            ("wiped", len(world.lost_wiped)),
            ("redelivered", world.redelivered),
        ):
            met[key] += more

    walk()
    return met


def check(world: World) -> None:
    """G1 as it stands amid the faults; then they stop, and the rest."""
    stored = world.stored()
    assert world.freed <= stored.keys(), "G1: overwritten as stored, and absent"
    world.calm()
    stored = world.stored()
    journal, spool = world.spool.journal, world.spool
    ring = {(journal, seq) for seq in range(spool.tail, spool.head + 1)}
    assert ring <= stored.keys(), "G2: still in the ring, and not stored"
    mine = {key: ms for key, ms in stored.items() if key in world.kept}
    assert mine == {key: world.kept[key][0] for key in mine}, "each under its own time"
    of_one = "SELECT t_ms, value FROM reading JOIN channel ON id = channel_id WHERE name LIKE"
    readings = rows(world.engine, f"{of_one} '%north/gap-lock-top'")
    assert len(readings) == len({ms for ms, _ in readings}), "G3: no reading twice"
    values = dict(readings)
    for ms, whole in (world.kept[key] for key in mine):
        assert values[ms] == whole / 1e6, "and with its own value"
    missing = world.kept.keys() - stored.keys()
    assert missing <= world.lost_full | world.lost_wiped, "G4: every loss is of a full ring or a wiped one"
    assert spool.lost == len({key for key in world.lost_full if key[0] == journal}), "and counted"
