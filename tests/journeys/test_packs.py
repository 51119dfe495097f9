"""Every golden pack, over the wire: a real client, listener, access list, collector and database.

Each case is published by the node whose topic it names. What may not be published there at all is refused
before a pack is looked at.
"""

import hashlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import pytest
from sqlalchemy import Engine, select

from server.auth.credentials import issue, node_user
from server.auth.keyring import Keyring
from server.database import Session, session_of
from server.doors.tables import Node, Site
from server.intake.collector import Collector
from server.intake.limits import Limits
from server.intake.listener import Listener
from server.intake.packets import Puback, Publish
from server.intake.reasons import Reason
from server.intake.values import DownlinkValue, Taken
from server.service.directory import DatabaseDirectory
from tests.fakes.clock import HandClock
from tests.fakes.intake import RawClient
from tests.intake.test_collector_golden import COMPLETE, offers_of, stored, wipe
from tests.intake.yard import enrol_world, rows

FOREIGN = [case for case in COMPLETE if case["code"] in {"foreign-topic", "unknown-node"}]
ENROLLED = [case for case in COMPLETE if case not in FOREIGN]
NORTH = "saltmarsh-yard/north"
Password = tuple[str, bytes]


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """The nodes of the golden packs, with passwords; `shown` names the channels as the cases do."""

    engine: Engine
    clock: HandClock
    directory: DatabaseDirectory
    shown: dict[int, str]
    passwords: dict[str, Password]

    @contextmanager
    def intake(self) -> Iterator[int]:
        """A listener and a collector of its own; the port."""
        answer: list[Listener] = []

        def taken(answers: Sequence[Taken]) -> None:
            answer[0].taken(answers)

        def send(words: Sequence[DownlinkValue]) -> None:
            answer[0].send(words)

        collector = Collector(self.engine, clock_ms=self.clock.ms, answer=taken, send=send)
        answer.append(
            Listener(
                queue=collector,
                directory=self.directory,
                clock_ms=self.clock.ms,
                bind=("127.0.0.1", 0),
                limits=Limits(rate_per_minute=0),
            )
        )
        collector.start()
        port = answer[0].start()
        try:
            yield port
        finally:
            answer[0].hold()
            collector.stop()
            answer[0].stop()

    @contextmanager
    def client(self, port: int, ref: str) -> Iterator[RawClient]:
        """A version 5 client that was let in as that node."""
        user, password = self.passwords[ref]
        with RawClient(port, 5) as client:
            name = "ht" + hashlib.sha256(ref.encode()).hexdigest()[:20]
            assert client.connect(client_id=name, user=user, password=password).code == Reason.SUCCESS
            yield client


@pytest.fixture
def world(engine: Engine, clock: HandClock) -> World:
    """The nodes of packs-world.json on either database."""
    shown = enrol_world(engine)
    passwords: dict[str, Password] = {}
    with session_of(engine) as session:
        for node_id, node, site in session.execute(
            select(Node.id, Node.name, Site.name).join(Site, Site.id == Node.site_id)
        ):
            user = node_user(site, node, 1)
            word = issue(session, node_id=node_id, user=user, role="node", generation=1, now=clock())
            passwords[f"{site}/{node}"] = (user, word.encode())
    directory = DatabaseDirectory(engine, Keyring(lambda: Session(engine)), clock=clock)
    return World(engine=engine, clock=clock, directory=directory, shown=shown, passwords=passwords)


def answer_of(client: RawClient, number: int, topic: str, payload: bytes) -> tuple[int, object]:
    """Publish at QoS 1; code and reason of the acknowledgement."""
    client.send(Publish(topic=topic, payload=payload, qos=1, packet_id=number))
    answer = client.receive(Puback)
    assert answer.packet_id == number
    return answer.code, answer.properties.get("reason_string")


def fault(world: World, case: dict[str, Any]) -> str | None:
    """What came otherwise than the case says, on the wire and in the store."""
    wipe(world.engine)
    before, last = offers_of(case)
    site, node = case["topic"].split("/")[2:4]
    with world.intake() as port, world.client(port, f"{site}/{node}") as client:
        for number, one in enumerate(before, 1):
            world.clock.advance(milliseconds=one.arrival_ms - world.clock.ms())
            if answer_of(client, number, one.topic, one.payload) != (Reason.SUCCESS, None):
                return f"{case['name']}: a pack before it was refused"
        known = stored(world.engine, world.shown)
        world.clock.advance(milliseconds=last.arrival_ms - world.clock.ms())
        told = answer_of(client, len(before) + 1, last.topic, last.payload)
    code = case["code"]
    if told != ((Reason.SUCCESS, None) if code is None else (Reason.NOT_TAKEN, code)):
        return f"{case['name']}: told {told}"
    new = {(one["channel"], one["ms"], one["v"]) for one in case["readings"] or []}
    if stored(world.engine, world.shown) - known != new:
        return f"{case['name']}: other rows"
    held = rows(world.engine, "SELECT code, payload, topic, arrival_ms FROM quarantine")
    kept = [] if code is None else [(code, last.payload, last.topic, last.arrival_ms)]
    return None if held == kept else f"{case['name']}: held {[row[0] for row in held]}"


def test_the_cases_are_all_there() -> None:
    assert (len(ENROLLED), len(FOREIGN)) == (103, 4)


def test_each_pack_over_the_wire(world: World) -> None:
    assert [said for case in ENROLLED if (said := fault(world, case))] == []


def test_a_topic_that_is_not_the_node_s_own_is_refused_before_the_pack_is_looked_at(world: World) -> None:
    wipe(world.engine)
    with world.intake() as port, world.client(port, NORTH) as client:
        told = {
            case["name"]: answer_of(client, number, case["topic"], offers_of(case)[1].payload)
            for number, case in enumerate(FOREIGN, 1)
        }
    assert set(told.values()) == {(Reason.NOT_AUTHORIZED, "foreign-topic")}, told
    for table in ("reading", "instant", "quarantine"):
        assert rows(world.engine, f"SELECT count(*) FROM {table}") == [(0,)]  # noqa: S608  (names of ours)
