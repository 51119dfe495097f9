"""A yard for tests of the intake: the nodes of the golden packs, and a collector whose answers are kept."""

import json
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, select, text
from sqlalchemy.orm import Session

from sensors.message.pack import pack_bytes
from server.database import session_of
from server.doors.tables import Channel, Node, Site
from server.intake.collector import Collector
from server.intake.values import DownlinkValue, Offer, Taken

MESSAGES = Path(__file__).parents[1] / "messages"
ARRIVAL_MS = 1767268800000  # of packs-world.json: 2026-01-01T12:00:00Z
NORTH = "hangtrue/v1/saltmarsh-yard/north/"
JOURNAL = "7c1e90ab"
START_MS = ARRIVAL_MS - 60 * 86_400_000  # where the first sequence number would lie
MADE = datetime(2025, 1, 1, tzinfo=UTC)


def enrol_world(engine: Engine) -> dict[int, str]:
    """Enrol the nodes of packs-world.json; the names of the golden rows by channel id."""
    world = json.loads((MESSAGES / "packs-world.json").read_text("utf-8"))
    with session_of(engine) as session:
        site_ids: dict[str, int] = {}
        for name in sorted({ref.split("/")[0] for ref in world["nodes"]}):
            session.add(site := Site(name=name, zone="Europe/London"))
            session.flush()
            site_ids[name] = site.id
        shown: dict[int, str] = {}
        for ref, channels in world["nodes"].items():
            shown |= _enrol_node(session, site_ids, ref, channels)
    return shown


def _enrol_node(
    session: Session, site_ids: dict[str, int], ref: str, channels: dict[str, Any]
) -> dict[int, str]:
    site, name = ref.split("/")
    session.add(node := Node(site_id=site_ids[site], name=name, kind="tracked", upload_s=3600, enrolled=MADE))
    session.flush()
    shown: dict[int, str] = {}
    for wire, (short, unit) in channels.items():
        words = {"quantity": "gauge", "place": short, "decimals": 6, "since": MADE}
        session.add(channel := Channel(node_id=node.id, name=wire, unit=unit, **words))
        session.flush()
        shown[channel.id] = short
    return shown


def north_pack(first_seq: int, instants: int = 1, *, start_ms: int = START_MS, value: int = 0) -> bytes:
    """A pack of north: two channels each ten minutes, values in steps of 1e-6 and 0.01."""
    rows = [("gap-lock-top", "/", 400000 + value, 6), ("air-rh", "%RH", 7000 + value, 2)]
    return pack_bytes(
        base_name="saltmarsh-yard/north/",
        journal=JOURNAL,
        first_seq=first_seq,
        clock="utc",
        instants=[(start_ms + 600_000 * (first_seq + step), rows) for step in range(instants)],
    )


def offer(payload: bytes, *, token: object = 1, leaf: str = "readings", at_ms: int = ARRIVAL_MS) -> Offer:
    """An offer on north's topic."""
    return Offer(topic=NORTH + leaf, payload=payload, arrival_ms=at_ms, token=token)


@dataclass(slots=True)
class Kept:
    """What a collector answered and sent."""

    taken: list[Taken] = field(default_factory=list)
    sent: list[DownlinkValue] = field(default_factory=list)

    def codes(self) -> list[str | None]:
        """The codes in the order of the answers."""
        return [one.code for one in self.taken]


@contextmanager
def collecting(engine: Engine, *, now_ms: int = ARRIVAL_MS, **more: Any) -> Iterator[tuple[Collector, Kept]]:
    """A running collector; at the end of the block it is stopped and its line is empty."""
    kept = Kept()
    parts: dict[str, Any] = {
        "answer": kept.taken.extend,
        "send": kept.sent.extend,
        "clock_ms": lambda: now_ms,
    }
    collector = Collector(engine, **{**parts, **more})
    collector.start()
    try:
        yield collector, kept
    finally:
        collector.stop()


def collect(engine: Engine, offers: Sequence[Offer], **more: Any) -> Kept:
    """Run these offers through a collector of their own."""
    with collecting(engine, **more) as (collector, kept):
        for one in offers:
            collector.offer(one)
    return kept


def until(reached: Callable[[], bool], *, within_s: float = 10.0) -> None:
    """Wait for a state."""
    deadline = time.monotonic() + within_s
    pause = threading.Event()
    while not reached():
        assert time.monotonic() < deadline, "the state was not reached in time"
        pause.wait(0.005)


def rows(engine: Engine, sql: str) -> list[tuple[Any, ...]]:
    """Rows of a query."""
    with engine.connect() as connection:
        return [tuple(row) for row in connection.execute(text(sql))]


def channel_id(engine: Engine, short: str) -> int:
    """The id of a channel of north."""
    with engine.connect() as connection:
        found = select(Channel.id).where(Channel.name == f"saltmarsh-yard/north/{short}")
        return connection.execute(found).scalar_one()
