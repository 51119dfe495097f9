"""The loop of a node: sample, keep, send, rest."""

import random
import signal
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from sensors.config import Channel, NodeError, NodeFile
from sensors.message.names import topic
from sensors.message.statement import LAST_WILL
from sensors.publisher.choose import Pace
from sensors.publisher.passwords import Login, Passwords
from sensors.publisher.publisher import Publisher, Surroundings
from sensors.publisher.transport import PahoTransport, Transport
from sensors.sources.simulated.door import SimInstant, SimulatedDoor
from sensors.spool import Sampled, Spool, SpoolError

SAMPLE_S, UPLOAD_S = 600, 3600
TURN_S = 0.5
BULK = 1000
WORDS = ("config", "ack", "secret")
Say = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Times:
    """The clocks of a node: Unix ms, a wait's measure, and whether it was told to stop."""

    now_ms: Callable[[], int]
    monotonic: Callable[[], float]
    stopping: threading.Event


def run_node(node: NodeFile, *, say: Say) -> None:
    """Run a node on its live gauges until SIGTERM or SIGINT. Raises NodeError when it can't."""
    if node.simulated is None or not node.channels:
        raise NodeError("run", "at least one [[channel]], and [simulated] for its source", "neither")
    asked, times = node.simulated, real_times()
    door = SimulatedDoor(door=asked.door, seed=asked.seed, start_ms=asked.start_ms, years=0.01)
    with open_node(node, times, pace=Pace(), say=say) as publisher:
        publisher.spool.set_layout(layout_of(node.channels))
        live = door.instants(live_step_s=sample_s(publisher))
        keep_live(publisher, after(live, times.now_ms()), times, speed=1.0)


@contextmanager
def open_node(
    node: NodeFile, times: Times, *, pace: Pace, say: Say, journal: str | None = None
) -> Iterator[Publisher]:
    """The publisher of a node over its spool; left in order at the end.

    Raises NodeError for a disk that does not take it, at the start or later.
    """
    own_id = {} if journal is None else {"journal_id": lambda: journal}
    with _disk_trouble_said(), Spool(node.state_dir / "spool.db", **own_id) as spool:
        spool.power_up()
        around = Surroundings(
            now_ms=times.now_ms,
            monotonic=times.monotonic,
            chance=random.Random(),  # noqa: S311  (spreads reconnects, hides nothing)
            say=say,
        )
        passwords = Passwords(node.state_dir, site=node.site, node=node.node, user=node.broker.user)
        publisher = Publisher(
            node, spool, _transport(node, passwords.own), pace=pace, around=around, passwords=passwords
        )
        say(f"node {node.site}/{node.node}: journal {spool.journal}, {spool.head} instants kept")
        yield publisher
        publisher.leave(next_s=UPLOAD_S)


@contextmanager
def _disk_trouble_said() -> Iterator[None]:
    try:
        yield
    except (SpoolError, sqlite3.Error) as error:
        raise NodeError("keep the readings", "a disk that takes them", str(error), status=3) from None


def _transport(node: NodeFile, login: Login) -> Transport:
    return PahoTransport(
        node.broker,
        site=node.site,
        node=node.node,
        login=login,
        will=(topic(node.site, node.node, "status"), LAST_WILL),
        words=[topic(node.site, node.node, leaf) for leaf in WORDS],
    )


def layout_of(channels: tuple[Channel, ...]) -> tuple[tuple[str, str, int], ...]:
    """The spool's layout of a node's channels."""
    return tuple((each.name, each.unit, each.decimals) for each in channels)


def sampled(instant: SimInstant, *, boot: int) -> Sampled:
    """An instant of the source as the spool keeps it: channels that could not be read are left out."""
    values = tuple((index, value) for index, value in enumerate(instant.values) if value is not None)
    return Sampled(ms=instant.ms, clock=instant.clock, boot=boot, values=values)


def sample_s(publisher: Publisher) -> int:
    """How often the collector asked this node to sample, else each ten minutes."""
    return publisher.spool.config.get("sample_s", SAMPLE_S)


def after(instants: Iterator[SimInstant], ms: int) -> Iterator[SimInstant]:
    """The instants later than `ms`."""
    return (each for each in instants if each.ms > ms)


def keep_live(publisher: Publisher, live: Iterator[SimInstant], times: Times, *, speed: float) -> None:
    """Keep each instant when its time has come and send, until told to stop.

    `speed` runs back-dated time so many times as fast, until it has caught up with now.
    """
    upcoming = next(live, None)
    began_ms, began = (upcoming.ms if upcoming else 0), times.monotonic()
    while not times.stopping.is_set():
        believed_ms = min(times.now_ms(), began_ms + int((times.monotonic() - began) * 1000 * speed))
        while upcoming is not None and upcoming.ms <= believed_ms:
            publisher.spool.append([sampled(upcoming, boot=publisher.spool.boot)])
            upcoming = next(live, None)
        publisher.step(wait_s=TURN_S)


def real_times() -> Times:
    """The computer's clocks, and a stop that SIGTERM and SIGINT ask for."""
    stopping = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stopping.set())
    return Times(
        now_ms=lambda: time.time_ns() // 1_000_000,
        monotonic=time.monotonic,
        stopping=stopping,
    )
