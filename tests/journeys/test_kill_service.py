"""kill -9 of the service, at any moment: what it acknowledged is stored, once, with its value.

The same check is shown to fail on a service that acknowledges before it commits.
"""

import logging
import random
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import make_url

from server.auth.credentials import issue, node_user
from server.clock import utc_now
from server.database import open_engine, session_of
from server.doors.register import add_channels, enrol_node
from server.schema import upgrade
from tests.journeys.acknowledged import BASE, CHANNELS, NODE, Found, Sender, compare
from tests.journeys.yard import SITE, Served, Yard, end, make_yard, serving, start_service, until

log = logging.getLogger(__name__)  # the figures: pytest --log-cli-level=INFO
EARLY = Path(__file__).with_name("early.py")
KILLS = {"sqlite": 10, "postgresql+psycopg": 4}
MUTANT_KILLS, WINDOW, TRIES = 3, 200, 20
PACKS_PER_S = 1000
AT_WORK_S = 0.25  # a kill counts when an acknowledgement came so shortly before it


@dataclass(slots=True)
class Run:
    """What the kills of one run were like. `counted`: those struck while packs flew and were acknowledged."""

    kills: int = 0
    counted: int = 0
    packs: int = 0
    load_s: float = 0.0

    @property
    def packs_per_s(self) -> float:
        """Packs acknowledged a second of load."""
        return self.packs / self.load_s


def enrolled(yard: Yard) -> Sender:
    """A sender with the credential of a node that this enrols."""
    upgrade(yard.database)
    engine = open_engine(yard.database)
    with session_of(engine) as session:
        now, user = utc_now(), node_user(SITE, NODE, 1)
        node = enrol_node(session, SITE, NODE, kind="tracked", zone="Europe/London", now=now)
        add_channels(session, node, [(BASE + name, unit) for name, unit, _ in CHANNELS], now)
        password = issue(session, node_id=node.id, user=user, role="node", generation=1, now=now)
    engine.dispose()
    return Sender(user=user, password=password, window=WINDOW)


def kill_under_load(served: Served, sender: Sender, after_s: float) -> tuple[bool, float]:
    """Load a service and kill it from another thread, `after_s` from when its acknowledgements flow.

    Gives whether it was at work when it was struck, and the seconds of load.
    """
    seen: list[tuple[int, float]] = []
    flowing = len(sender.acknowledged) + WINDOW
    began_s = [0.0]

    def strike() -> None:
        until(lambda: len(sender.acknowledged) > flowing, "acknowledgements", every_s=0.001)
        began_s[0] = time.monotonic()
        threading.Event().wait(after_s)
        seen.append((len(sender.flying), time.monotonic() - sender.last_ack_s))
        served.child.kill()

    striker = threading.Thread(target=strike)
    try:
        with sender.connected(served.intake) as connection:
            striker.start()
            sender.send_until_cut(connection)
    finally:
        striker.join()
        end(served.child)
    flying, quiet_s = seen[0]
    return flying > 1 and quiet_s < AT_WORK_S, sender.last_ack_s - began_s[0]


def kills(yard: Yard, sender: Sender, program: list[str], count: int) -> Run:
    """Kill a service again and again, until it was struck `count` times at work."""
    rng, made = random.Random(20261125), Run()
    while made.counted < count:
        assert made.kills < TRIES, "it was too seldom at work when it was struck"
        before = len(sender.acknowledged) + WINDOW
        at_work, load_s = kill_under_load(start_service(yard, *program), sender, rng.uniform(0.05, 0.5))
        made.packs += len(sender.acknowledged) - before
        made.kills, made.load_s, made.counted = made.kills + 1, made.load_s + load_s, made.counted + at_work
    return made


def found(yard: Yard, sender: Sender) -> Found:
    """What the store holds of what this sender was told."""
    with yard.opened() as engine:
        return compare(engine, acknowledged=sender.acknowledged, sent=range(1, sender.upcoming))


def test_nothing_acknowledged_is_lost(database_url: str, tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "yard", database_url)
    sender = enrolled(yard)
    made = kills(yard, sender, [], KILLS[make_url(database_url).drivername])
    after = found(yard, sender)
    log.info("%s, %.0f packs/s acknowledged, %s", made, made.packs_per_s, after)
    assert (after.lost, after.wrong, after.strange) == (0, 0, 0)
    assert made.packs > made.kills * WINDOW
    with serving(yard):
        # a service that starts again after all this finds its own store whole
        assert yard.rows("SELECT count(*) FROM quarantine") == [(0,)]


def test_a_service_that_acknowledges_early_is_found_out(tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "yard")
    sender = enrolled(yard)
    program = [sys.executable, str(EARLY), str(yard.config)]
    made = kills(yard, sender, program, MUTANT_KILLS)
    after = found(yard, sender)
    log.info("%s, %.0f packs/s acknowledged, %s", made, made.packs_per_s, after)
    assert after.lost > 0
