"""kill -9 of the service behind a broker, and of the broker: what the service acknowledged is stored, once.

A broker's own acknowledgement proves nothing; what counts is the one that the service gives the broker.
"""

import logging
import random
import signal
import sys
import threading
import time
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.journeys.acknowledged import CHANNELS, Found
from tests.journeys.needs import by_default, is_long, often
from tests.journeys.ways import Way, load, until_flowing, way_in
from tests.journeys.yard import Served, end, make_yard, metric, serving, start_service, until

log = logging.getLogger(__name__)  # the figures: pytest --log-cli-level=INFO
EARLY = Path(__file__).with_name("early.py")
KILLS, MUTANT_KILLS = often(2, long=20), 2
BROKER_KILLS = often(1, long=5)
FAST = 1000  # packs acknowledged a second; below it too little is at stake
AT_WORK_S = 3.0  # how long to wait for an acknowledgement, so that the kill comes right after one


@dataclass(slots=True)
class Run:
    """Kills, those of them that struck at work, and packs acknowledged in `load_s`."""

    kills: int = 0
    counted: int = 0
    packs: int = 0
    load_s: float = 0.0

    @property
    def packs_per_s(self) -> float:
        """Packs acknowledged a second of load."""
        return self.packs / self.load_s


def is_at_work(way: Way) -> bool:
    """Whether an acknowledgement comes within a moment, and more is on its way."""
    before, until_s = len(way.acknowledged()), time.monotonic() + AT_WORK_S
    pause = threading.Event()
    while time.monotonic() < until_s:
        if len(way.acknowledged()) > before:
            return way.sender.upcoming - len(way.acknowledged()) > 1
        pause.wait(0.001)
    return False


def is_connected(served: Served) -> bool:
    """Whether a service takes from its broker; one without pages says its addresses only then."""
    return not served.pages or metric(served, "connections") == 1


def kills(way: Way, program: list[str], count: int) -> Run:
    """Kill a service again and again under load, until it was struck `count` times at work."""
    rng, made = random.Random(20261125), Run()
    with ExitStack() as loading:
        while made.counted < count:
            assert made.kills < 3 * count, "it was too seldom at work when it was struck"
            served = start_service(way.yard, *program)
            try:
                if not made.kills:  # from now on the broker keeps what comes for it
                    until(lambda served=served: is_connected(served), "the broker", every_s=0.1)  # type: ignore[misc]
                    loading.enter_context(load(way, lambda: way.port(None)))
                until_flowing(way, "after a start")
                begun_s, begun = time.monotonic(), len(way.acknowledged())
                threading.Event().wait(rng.uniform(0.05, 0.5))
                made.packs += len(way.acknowledged()) - begun
                made.load_s += time.monotonic() - begun_s
                made.counted += is_at_work(way)
                # amid answers, or a while later amid a commit
                threading.Event().wait(rng.uniform(0.0, 0.1) * (made.kills % 2))
                made.kills += 1
            finally:
                end(served.child, signal.SIGKILL)
    return made


@pytest.mark.parametrize("database_url", by_default("postgres"), indirect=True)
def test_nothing_acknowledged_is_lost(database_url: str, tmp_path: Path) -> None:
    with way_in("broker", make_yard(tmp_path / "yard", database_url)) as way:
        made = kills(way, [], KILLS)
        after = way.found()
        log.info("%s, %.0f packs/s acknowledged, %s", made, made.packs_per_s, after)
        assert (after.lost, after.wrong, after.strange) == (0, 0, 0)
        assert not is_long() or made.packs_per_s >= FAST
        with serving(way.yard):
            until(
                lambda: len(way.acknowledged()) == way.sender.upcoming - 1,
                "what the broker kept",
                within_s=120,
            )
        assert way.found() == Found(readings=len(CHANNELS) * (way.sender.upcoming - 1))
        assert way.yard.rows("SELECT count(*) FROM quarantine") == [(0,)]


def test_a_service_that_acknowledges_early_is_found_out(tmp_path: Path) -> None:
    with way_in("broker", make_yard(tmp_path / "yard")) as way:
        made = kills(way, [sys.executable, str(EARLY), str(way.yard.config)], MUTANT_KILLS)
        after = way.found()
        log.info("%s, %.0f packs/s acknowledged, %s", made, made.packs_per_s, after)
        assert after.lost > 0


@pytest.mark.parametrize("database_url", by_default("sqlite"), indirect=True)
def test_a_broker_that_is_ended_costs_nothing_that_a_node_still_has(
    database_url: str, tmp_path: Path
) -> None:
    """Killed, or asked to end. What it took and lost is named by no statement: the node sends it again."""
    with way_in("broker", make_yard(tmp_path / "yard", database_url)) as way, serving(way.yard) as served:
        assert way.broker is not None
        until(lambda: metric(served, "connections") == 1, "the broker", every_s=0.1)
        with load(way, lambda: way.port(served)):
            until_flowing(way, "at the start")
            for number in [*[signal.SIGKILL] * BROKER_KILLS, signal.SIGTERM]:
                until(lambda: is_at_work(way), "packs on their way")
                way.broker.end(number)
                until(lambda: metric(served, "connections") == 0, "the end to be seen", every_s=0.1)
                way.broker.start()
                until(lambda: metric(served, "connections") == 1, "the broker again", every_s=0.1)
                way.broker_forgot()  # what comes while nobody has subscribed goes to nobody
                until_flowing(way, "after the broker's start")
        until(lambda: metric(served, "queue_packs") == 0, "an empty line", every_s=0.1)
        after = way.found()
        assert (after.lost, after.wrong, after.strange) == (0, 0, 0)
        way.send_what_is_not_stated(served)
        assert way.found() == Found(readings=len(CHANNELS) * (way.sender.upcoming - 1))
