"""A node, a broker and a collector that may fail between any two steps: the real node and collector cores.

Between them stands a broker of four lines; nothing runs by itself, so that a walk is the same every time.
"""

from collections.abc import Callable
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from sqlalchemy import Engine, text

from sensors.config import Broker, NodeFile
from sensors.message.names import topic
from sensors.publisher.choose import Pace
from sensors.publisher.publisher import Publisher, Surroundings
from sensors.publisher.transport import Event
from sensors.spool import Sampled, Spool
from server.intake.commit import Committer
from server.intake.enrolled import Enrolment
from server.intake.statements import Stater
from server.intake.values import Offer
from tests.fakes.transport import HandTransport

SITE, NODE = "saltmarsh-yard", "north"
LAYOUT = (("gap-lock-top", "/", 6), ("air-rh", "%RH", 2))
FILE = NodeFile(site=SITE, node=NODE, state_dir=Path("none"), broker=Broker(), channels=())
PACE = Pace(gap_s=0.0, first_retry_s=1.0, most_retry_s=1.0, resend_s=4.0, most_resend_s=8.0, pack_records=10)
RING, STEP_MS, TICK_S = 20, 600_000, 1.0
ACK = topic(SITE, NODE, "ack")
Instant = tuple[str, int]  # journal, sequence number
Told = tuple[str, bytes, bool]  # topic, payload, retained


class DeadError(Exception):
    """The collector died here."""


class Mortal(Committer):
    """A committer that can die just before its commit."""

    dies = False

    def _keep(self, *parts: Any) -> None:
        super()._keep(*parts)
        if self.dies:
            raise DeadError


@dataclass
class World:
    """Walk `number`. `kept`: sampled and synced; `lost_full`, `lost_wiped`: losses that are allowed."""

    engine: Engine
    path: Path
    rng: Random
    now_ms: int
    number: int
    wipes: int = 0
    at_s: float = 0.0
    back_ms: int = 0
    kept: dict[Instant, tuple[int, int]] = field(default_factory=dict)
    lost_full: set[Instant] = field(default_factory=set)
    lost_wiped: set[Instant] = field(default_factory=set)
    freed: set[Instant] = field(default_factory=set)
    queue: list[Told] = field(default_factory=list)
    retained: bytes | None = None
    said: list[bytes] = field(default_factory=list)
    flying: dict[int, tuple[int, str, bytes, bool]] = field(default_factory=dict)
    redelivered: int = 0
    _out: int = 0
    _held: ExitStack = field(default_factory=ExitStack)

    def __post_init__(self) -> None:
        self._start_collector()
        self.transport = HandTransport()
        self._start_node()

    # the node

    def sample(self) -> None:
        """An instant is sampled and synced; the ring makes room first."""
        self.now_ms += STEP_MS
        before, stored = self.spool.tail, self.spool.view.stored
        values = (self.rng.randint(0, 1_000_000), self.rng.randint(0, 9999))
        one = Sampled(ms=self.now_ms - self.back_ms, clock="utc", boot=1, values=tuple(enumerate(values)))
        seq = self.spool.append([one])
        self.kept[self.spool.journal, seq] = (one.ms, values[0])
        self.spool.forget(keep=RING)
        for gone in range(before, self.spool.tail):
            is_stored = any(first <= gone <= last for first, last in stored)
            (self.freed if is_stored else self.lost_full).add((self.spool.journal, gone))

    def step_node(self) -> None:
        """The node does what is due; what it publishes reaches the broker, which takes it."""
        for mid, name, payload, retain in self._sent():
            self.queue.append((name, payload, retain))
            del self.flying[mid]
            self.transport.events.append(Event(kind="taken", mid=mid))

    def lose_puback(self) -> None:
        """What is published reaches the broker, and the connection ends before the node knows."""
        self.queue += [(name, payload, retain) for _, name, payload, retain in self._sent()]
        self.cut()

    def lose_publish(self) -> None:
        """The connection ends before what is published reaches the broker."""
        self._sent()
        self.cut()

    def cut(self) -> None:
        """The node's connection ends."""
        self.transport.events.append(Event(kind="lost", reason="cut"))
        self.publisher.step(wait_s=0.0)

    def node_dies(self) -> None:
        """All but the spool is forgotten."""
        self.spool.__exit__(None, None, None)
        self._start_node()

    def wipe(self) -> None:
        """The spool is gone: another journal begins. What it had and nobody stored is lost."""
        self.lost_wiped |= {(self.spool.journal, seq) for seq in range(self.spool.tail, self.spool.head + 1)}
        self.spool.__exit__(None, None, None)
        for ending in ("", "-wal", "-shm"):
            Path(f"{self.path}{ending}").unlink(missing_ok=True)
        self.wipes += 1
        self._start_node()

    def set_clock_back(self) -> None:
        """Three instants, and a few ms so that no key is met again."""
        self.back_ms += 3 * STEP_MS + 7

    # the broker

    def lose_queue(self) -> None:
        """The broker forgets what it had taken."""
        self.queue.clear()

    def lose_all(self) -> None:
        """The broker forgets sessions and what was retained, too; the collector tells it again."""
        self.queue.clear()
        self.retained = None
        self.cut()
        self._start_collector()

    # the collector

    def collect(self) -> None:
        """Commit some of what waits, state it, acknowledge it."""
        self._collect(states=True, acknowledges=True)

    def die_before_commit(self) -> None:
        """All is written and nothing committed; so it is with a disk that is full, or a database locked."""
        self.committer.dies = True
        with suppress(DeadError):
            self._collect(states=True, acknowledges=True)
        self._start_collector()

    def die_after_commit(self) -> None:
        """Committed, and neither stated nor acknowledged."""
        self._collect(states=False, acknowledges=False)
        self._start_collector()

    def die_after_statement(self) -> None:
        """Stated, and not acknowledged."""
        self._collect(states=True, acknowledges=False)
        self._start_collector()

    def say_again(self) -> None:
        """An old statement comes late, or twice."""
        if self.said and self.publisher.is_connected():
            self.transport.events.append(Event(kind="word", topic=ACK, payload=self.rng.choice(self.said)))

    # how it stands

    def calm(self) -> None:
        """Faults stop: everything does its work until nothing waits."""
        for _ in range(400):
            self.step_node()
            while self.queue:
                self.collect()
            self._tick(1.0)
            if not self.publisher.waiting() and not self.queue:
                return
        raise AssertionError(f"{self.publisher.waiting()} instants wait for ever")

    def stored(self) -> dict[Instant, int]:
        """Time of each instant that the database holds."""
        sql = "SELECT j.code, i.seq, i.t_ms FROM instant i JOIN journal j ON j.id = i.journal_id"
        with self.engine.connect() as connection:
            return {(code, seq): ms for code, seq, ms in connection.execute(text(sql))}

    def end(self) -> None:
        """Close the spool, and what the collector holds."""
        self._held.close()
        self.spool.__exit__(None, None, None)

    def _start_node(self) -> None:
        self.transport.events.clear()
        self.flying.clear()
        self.spool = Spool(self.path, journal_id=lambda: f"{self.number:05x}{self.wipes:03x}").__enter__()
        self.spool.set_layout(LAYOUT)
        around = Surroundings(
            now_ms=lambda: self.now_ms, monotonic=lambda: self.at_s, chance=self.rng, say=lambda _: None
        )
        self.publisher = Publisher(FILE, self.spool, self.transport, pace=PACE, around=around)

    def _start_collector(self) -> None:
        enrolment = Enrolment(self.engine, monotonic=lambda: self.at_s)
        enrolment.read()
        self._held.close()  # the system does it for a process that died
        self.committer = Mortal(self.engine, enrolment, clock_ms=lambda: self.now_ms)
        self._held.callback(self.committer.close)
        self.stater = Stater(self.engine, clock_ms=lambda: self.now_ms)
        self.node = next(one for one in enrolment.by_id.values() if (one.site, one.node) == (SITE, NODE))
        for node_id, journal in self.stater.present_journals().items():
            if node_id == self.node.id and self.said:
                self._state(journal)

    def _sent(self) -> list[tuple[int, str, bytes, bool]]:
        """What the node publishes when it does what is due."""
        self._tick(TICK_S)
        connects = self.transport.connects
        self.publisher.step(wait_s=0.0)
        if self.transport.connects > connects:
            self.transport.events.append(Event(kind="connected"))
            if self.retained is not None:
                self.transport.events.append(Event(kind="word", topic=ACK, payload=self.retained))
            self.publisher.step(wait_s=0.0)
        fresh, self._out = self.transport.sent[self._out :], len(self.transport.sent)
        self.flying |= {one[0]: one for one in fresh}
        # the MQTT client of the node sends again what was not acknowledged when its connection ended
        return list(self.flying.values()) if self.transport.connects > connects else fresh

    def _collect(self, *, states: bool, acknowledges: bool) -> None:
        some = self.queue[: self.rng.randint(1, 4)]
        if not some:
            return
        offers = [
            Offer(topic=name, payload=payload, arrival_ms=self.now_ms, token=place, retain=retain)
            for place, (name, payload, retain) in enumerate(some)
        ]
        outcome = self.committer.commit(offers)
        assert not outcome.refused, outcome.refused
        self.redelivered += outcome.redelivered
        journal = outcome.journals.get(self.node.id) or outcome.told.get(self.node.id)
        if states and journal:
            self._state(journal)
        if acknowledges:
            del self.queue[: len(some)]

    def _state(self, journal: str) -> None:
        word = self.stater.state(self.node, journal)
        assert word is not None
        self.retained = word.payload
        self.said.append(word.payload)
        if hasattr(self, "publisher") and self.publisher.is_connected():
            self.transport.events.append(Event(kind="word", topic=ACK, payload=word.payload))

    def _tick(self, seconds: float) -> None:
        self.at_s += seconds


ACTIONS: dict[str, tuple[int, Callable[[World], None]]] = {
    "sample": (30, World.sample),
    "step": (30, World.step_node),
    "collect": (20, World.collect),
    "lose puback": (2, World.lose_puback),
    "lose publish": (2, World.lose_publish),
    "node dies": (2, World.node_dies),
    "wipe": (1, World.wipe),
    "clock back": (1, World.set_clock_back),
    "lose queue": (2, World.lose_queue),
    "lose all": (1, World.lose_all),
    "die before commit": (2, World.die_before_commit),
    "die after commit": (2, World.die_after_commit),
    "die after statement": (2, World.die_after_statement),
    "say again": (2, World.say_again),
}
