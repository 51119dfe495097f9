"""The real node, spool and publisher, and the real collector, joined without a network between them."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from sqlalchemy import Engine, text

from sensors.config import Broker, NodeFile
from sensors.publisher.choose import Pace
from sensors.publisher.publisher import Publisher, Surroundings
from sensors.publisher.transport import Event
from sensors.spool import Sampled, Spool
from server.intake.collector import Collector
from tests.fakes.transport import HandTransport
from tests.intake.yard import ARRIVAL_MS, JOURNAL, NORTH, START_MS, Kept, collecting, offer, rows, until

LAYOUT = (("gap-lock-top", "/", 6), ("air-rh", "%RH", 2))
FILE = NodeFile(site="saltmarsh-yard", node="north", state_dir=Path("none"), broker=Broker(), channels=())
STEPS = 400


@dataclass
class Node:
    """A node with its spool; `at_s` is its clock, in the test's hands. `delivered` counts what went out."""

    spool: Spool
    publisher: Publisher
    transport: HandTransport
    at_s: list[float]
    delivered: int = 0
    told: int = field(default=0)

    def sample(self, count: int) -> None:
        """Sample instants, ten minutes apart."""
        first = self.spool.head + 1
        self.spool.append(
            Sampled(
                ms=START_MS + 600_000 * seq,
                clock="utc",
                boot=1,
                values=((0, 400_000 + seq), (1, 7000 + seq)),
            )
            for seq in range(first, first + count)
        )

    def sampled(self) -> list[tuple[int, float, float]]:
        """Time and both values of each instant of the spool, as the database should have them."""
        kept = self.spool.read(1, self.spool.head)
        return [(one.ms, one.values[0][1] / 1e6, one.values[1][1] / 100) for one in kept]

    def visit(self, engine: Engine, *, now_ms: int = ARRIVAL_MS) -> None:
        """Connect to a collector of its own and send until nothing waits."""
        with collecting(engine, now_ms=now_ms, monotonic=lambda: self.at_s[0]) as (collector, kept):
            self.told = 0
            self.transport.events.append(Event(kind="connected"))
            said = self._retained(engine)
            # a node that waits for nothing stays until it has heard how things stand
            until(lambda: bool(said or kept.sent or self.publisher.waiting()))
            for _ in range(STEPS):
                self.at_s[0] += 2.0
                self.publisher.step(wait_s=0.0)
                self._deliver(collector, kept)
                if not self.transport.events and not self.publisher.waiting():
                    break
            assert self.publisher.waiting() == 0, "the node still has what no statement names"
        self.transport.events.append(Event(kind="lost", reason="the visit is over"))
        self.publisher.step(wait_s=0.0)

    def _retained(self, engine: Engine) -> bool:
        """What a subscription finds: the last statement in the database; whether there is one."""
        found = rows(engine, f"SELECT payload FROM downlink WHERE topic = '{NORTH}ack'")  # noqa: S608  (a constant)
        for (payload,) in found:
            self.transport.events.append(Event(kind="word", topic=NORTH + "ack", payload=bytes(payload)))
        return bool(found)

    def _deliver(self, collector: Collector, kept: Kept) -> None:
        packets = self.transport.sent[self.delivered :]
        self.delivered += len(packets)
        for mid, topic, payload, _ in packets:
            before, words = len(kept.taken), len(kept.sent)
            collector.offer(offer(payload, token=mid, leaf=topic.rsplit("/", 1)[1]))
            until(lambda count=before: len(kept.taken) > count)  # type: ignore[misc]  # a default binds the loop's value
            if topic.endswith("readings"):
                until(lambda count=words: len(kept.sent) > count)  # type: ignore[misc]  # likewise
            self.transport.events.append(Event(kind="taken", mid=mid))
        for word in kept.sent[self.told :]:
            self.transport.events.append(Event(kind="word", topic=word.topic, payload=word.payload))
        self.told = len(kept.sent)


@contextmanager
def node_in(folder: Path) -> Iterator[Node]:
    """The north node, with an empty spool."""
    transport, at_s = HandTransport(), [0.0]
    with Spool(folder / "spool.db", journal_id=lambda: JOURNAL) as spool:
        spool.set_layout(LAYOUT)
        around = Surroundings(
            now_ms=lambda: ARRIVAL_MS, monotonic=lambda: at_s[0], chance=Random(1), say=lambda _: None
        )
        yield Node(spool, Publisher(FILE, spool, transport, pace=Pace(), around=around), transport, at_s)


def stored(engine: Engine) -> list[tuple[int, float, float]]:
    """Time and both values of each instant of north in the database."""
    sql = text(
        "SELECT a.t_ms, a.value, b.value FROM reading a JOIN reading b ON b.t_ms = a.t_ms "
        "JOIN channel c ON c.id = a.channel_id JOIN channel d ON d.id = b.channel_id "
        "WHERE c.name LIKE '%north/gap-lock-top' AND d.name LIKE '%north/air-rh' ORDER BY a.t_ms"
    )
    with engine.connect() as connection:
        return [(int(ms), float(one), float(other)) for ms, one, other in connection.execute(sql)]
