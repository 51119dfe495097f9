"""kill -9 of the service, at any moment: what it acknowledged is stored, once, with its value.

The same check is shown to fail on a service that acknowledges before it commits. By default our listener is
killed on SQLite and, in test_kill_by_broker, the way by a broker on PostgreSQL; HANGTRUE_LONG=1: both, both.
"""

import logging
import random
import select
import signal
import socket
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.journeys.acknowledged import CHANNELS, Found, Sender, compare
from tests.journeys.needs import by_default, is_long, often
from tests.journeys.ways import WINDOW, enrolled
from tests.journeys.yard import Served, Yard, end, make_yard, serving, start_service, until

log = logging.getLogger(__name__)  # the figures: pytest --log-cli-level=INFO
EARLY = Path(__file__).with_name("early.py")
KILLS = often(3, long=20)
MUTANT_KILLS, TRIES = 3, 3 * KILLS
FAST = 1000  # packs acknowledged a second; below it too little is at stake
STOP_S, UNREAD_S = 10.0, 1.0
AT_WORK_S = 0.5  # a kill counts when an acknowledgement came so shortly before it


@dataclass(slots=True)
class Run:
    """What the kills of one run were like.

    `counted`: those struck while packs flew and were acknowledged; `late`: acknowledgements that still lay in
    the socket; `packs`: acknowledged in `load_s`.
    """

    kills: int = 0
    counted: int = 0
    late: int = 0
    packs: int = 0
    load_s: float = 0.0

    @property
    def packs_per_s(self) -> float:
        """Packs acknowledged a second of load."""
        return self.packs / self.load_s


@dataclass(slots=True)
class Struck:
    """How it stood when a service was struck."""

    began_s: float = 0.0
    at_s: float = 0.0
    flying: int = 0
    acknowledged: int = 0
    quiet_s: float = 0.0

    @property
    def at_work(self) -> bool:
        """Whether packs flew and an acknowledgement had just come."""
        return self.flying > 1 and self.quiet_s < AT_WORK_S


def strike_under_load(
    served: Served,
    sender: Sender,
    after_s: float,
    *,
    unread_s: float = 0.0,
    number: signal.Signals = signal.SIGKILL,
) -> Struck:
    """Load a service and signal it from another thread, `after_s` from when its acknowledgements flow.

    From then on nothing is read: it is struck when acknowledgements lie in the socket, or after `unread_s`.
    """
    seen, flowing = Struck(), len(sender.acknowledged) + WINDOW

    def strike(connection: socket.socket) -> None:
        until(lambda: len(sender.acknowledged) > flowing, "acknowledgements", every_s=0.001)
        seen.began_s = time.monotonic()
        threading.Event().wait(after_s)
        seen.at_s = time.monotonic()
        seen.flying, seen.quiet_s = len(sender.flying), seen.at_s - sender.last_ack_s
        sender.holding.set()
        select.select([connection], [], [], unread_s)
        seen.acknowledged = len(sender.acknowledged)
        served.child.send_signal(number)
        sender.holding.clear()

    try:
        with sender.connected(served.intake) as connection:
            striker = threading.Thread(target=strike, args=(connection,))
            striker.start()
            try:
                sender.send_until_cut(connection)
            finally:
                striker.join()
    finally:
        end(served.child)
    return seen


def kills(yard: Yard, sender: Sender, program: list[str], count: int) -> Run:
    """Kill a service again and again, until it was struck `count` times at work."""
    rng, made = random.Random(20261125), Run()
    while made.counted < count:
        assert made.kills < TRIES, "it was too seldom at work when it was struck"
        before = len(sender.acknowledged) + WINDOW
        after_s, unread_s = rng.uniform(0.05, 0.5), UNREAD_S * (made.kills % 2)
        struck = strike_under_load(start_service(yard, *program), sender, after_s, unread_s=unread_s)
        made.kills, made.counted = made.kills + 1, made.counted + struck.at_work
        made.packs, made.load_s = (
            made.packs + struck.acknowledged - before,
            made.load_s + struck.at_s - struck.began_s,
        )
        made.late += len(sender.acknowledged) - struck.acknowledged
    return made


def found(yard: Yard, sender: Sender) -> Found:
    """What the store holds of what this sender was told."""
    with yard.opened() as engine:
        return compare(engine, acknowledged=sender.acknowledged, sent=range(1, sender.upcoming))


@pytest.mark.parametrize("database_url", by_default("sqlite"), indirect=True)
def test_nothing_acknowledged_is_lost(database_url: str, tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "yard", database_url)
    sender = enrolled(yard)
    made = kills(yard, sender, [], KILLS)
    after = found(yard, sender)
    log.info("%s, %.0f packs/s acknowledged, %s", made, made.packs_per_s, after)
    assert (after.lost, after.wrong, after.strange) == (0, 0, 0)
    assert len(sender.acknowledged) > made.kills * WINDOW
    assert made.late > 0
    assert not is_long() or made.packs_per_s >= FAST
    with serving(yard) as served, sender.connected(served.intake) as connection:
        assert sender.take_what_flies(connection)
    # what was sent again is stored once, and now all of it is
    assert sender.acknowledged == set(range(1, sender.upcoming))
    assert found(yard, sender) == Found(readings=len(CHANNELS) * len(sender.acknowledged))
    assert yard.rows("SELECT count(*) FROM quarantine") == [(0,)]


def test_a_service_that_acknowledges_early_is_found_out(tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "yard")
    sender = enrolled(yard)
    program = [sys.executable, str(EARLY), str(yard.config)]
    made = kills(yard, sender, program, MUTANT_KILLS)
    after = found(yard, sender)
    log.info("%s, %.0f packs/s acknowledged, %s", made, made.packs_per_s, after)
    assert after.lost > 0


def test_a_service_that_is_asked_to_stop_under_load_leaves_in_order(tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "yard")
    sender = enrolled(yard)
    served = start_service(yard)
    struck = strike_under_load(served, sender, 0.2, number=signal.SIGTERM)
    took_s = time.monotonic() - struck.at_s
    assert served.child.returncode == 0
    assert struck.at_work
    assert took_s < STOP_S
    assert "Traceback" not in yard.log.read_text("utf-8")
    after = found(yard, sender)
    assert (after.lost, after.wrong, after.strange) == (0, 0, 0)
