"""Intake by a real broker: nothing is acknowledged before it is committed, whatever breaks."""

import json
import signal
import socket
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine

from sensors.message.statement import read_statement
from server.config import Broker
from server.database import open_engine
from server.errors import SettingsError
from server.intake.broker import BrokerIntake, Receipt
from server.intake.codec import find_frame, read
from server.intake.collector import Collector
from server.intake.packets import Connect
from server.intake.values import DownlinkValue, Taken
from tests.fakes.intake import ARRIVAL_MS, DEADLINE_S, NORTH, FakeQueue, wait_for
from tests.fakes.mosquitto import PASSWORD, Mosquitto, mosquitto, publish_all, publishing, wire_to
from tests.intake.yard import enrol_world, north_pack, rows
from tests.refusals import refuses

READINGS = NORTH + "readings"
ACK = NORTH + "ack"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path / "broker") as running:
        yield running


def place(folder: Path, port: int, **changes: Any) -> Broker:
    """The collector's place at that port, its password in a file."""
    (secret := folder / "collector.password").write_text(f"{PASSWORD}\n", "utf-8")
    secret.chmod(0o600)
    return Broker(**{"port": port, "password_file": secret, **changes})


class Unguarded(BrokerIntake):
    """A mutant that takes an answer for good on any connection."""

    def _is_current(self, receipt: Receipt) -> bool:
        return True


@contextmanager
def taking(
    folder: Path, port: int, queue: FakeQueue, *, kind: type[BrokerIntake] = BrokerIntake, **more: Any
) -> Iterator[BrokerIntake]:
    """An intake between a line in the test's hands and a broker; connected."""
    parts: dict[str, Any] = {"clock_ms": lambda: ARRIVAL_MS, "first_retry_s": 0.05, **more}
    intake = kind(queue=queue, settings=place(folder, port), **parts)
    assert intake.start() == port
    try:
        wait_for(lambda: intake.counters()["connections"], "the broker")
        yield intake
    finally:
        intake.stop()


@contextmanager
def collecting_from(folder: Path, port: int, engine: Engine, **more: Any) -> Iterator[Collector]:
    """Intake and collector together, as the service opens and ends them."""
    late: list[BrokerIntake] = []

    def answer(taken: Sequence[Taken]) -> None:
        late[0].taken(taken)

    def send(values: Sequence[DownlinkValue]) -> None:
        late[0].send(values)

    clock: dict[str, Any] = {"clock_ms": lambda: ARRIVAL_MS}
    collector = Collector(engine, answer=answer, send=send, states_first=True, **clock)
    settings = place(folder, port)
    intake = BrokerIntake(queue=collector, settings=settings, first_retry_s=0.05, **clock, **more)
    late.append(intake)
    collector.start()
    intake.start()
    try:
        wait_for(lambda: intake.counters()["connections"], "the broker")
        yield collector
    finally:
        intake.hold()
        collector.stop()
        intake.stop()


@dataclass
class Heard:
    """What a client heard, in order."""

    messages: list[tuple[str, bytes, bool]] = field(default_factory=list)

    def payloads(self, topic: str) -> list[bytes]:
        return [payload for name, payload, _ in self.messages if name == topic]


@contextmanager
def hearing(port: int, *topics: str, user: str = "saltmarsh-yard.north.1") -> Iterator[Heard]:
    heard, ready = Heard(), threading.Event()
    with publishing(port, user=user, client_id="hearing") as client:
        client.on_message = lambda _c, _d, m: heard.messages.append((m.topic, bytes(m.payload), m.retain))
        client.on_subscribe = lambda *_: ready.set()
        client.subscribe([(topic, 1) for topic in topics])
        assert ready.wait(DEADLINE_S)
        yield heard


def test_a_pack_is_acknowledged_only_once_it_is_taken(broker: Mosquitto, tmp_path: Path) -> None:
    queue, packs = FakeQueue(), [b"1", b"2", b"3"]
    with wire_to(broker.port) as wire, taking(tmp_path, wire.port, queue) as intake:
        with publishing(broker.port) as node:
            publish_all(node, READINGS, packs)
        offers = queue.wait(3)
        assert [(one.topic, one.payload, one.arrival_ms, one.retain) for one in offers] == [
            (READINGS, pack, ARRIVAL_MS, False) for pack in packs
        ]
        assert wire.acknowledged == []
        assert intake.counters()["packs_unacknowledged"] == 3
        intake.taken(queue.taken(None, "not-json", None))
        wait_for(lambda: len(wire.acknowledged) == 3, "acknowledgements")
        assert wire.acknowledged == packs
        assert intake.counters()["packs_unacknowledged"] == 0


def test_what_is_acknowledged_to_the_broker_is_stored_and_said_first(
    broker: Mosquitto, tmp_path: Path, engine: Engine, database_url: str
) -> None:
    enrol_world(engine)
    other = open_engine(database_url, reader=True)
    stored: list[bool] = []

    def at_puback(payload: bytes) -> bool:
        seq = json.loads(payload)[0]["bseq"]
        stored.append(rows(other, f"SELECT count(*) FROM instant WHERE seq = {seq}") == [(1,)])  # noqa: S608  (a number of our own)
        return True

    with wire_to(broker.port) as wire:
        wire.at_puback = at_puback
        with collecting_from(tmp_path, wire.port, engine), publishing(broker.port) as node:
            publish_all(node, READINGS, [north_pack(1 + number) for number in range(30)])
            wait_for(lambda: len(wire.acknowledged) == 30, "acknowledgements")
        said = wire.order.index("ack"), wire.order.index("puback")
    other.dispose()
    assert stored == [True] * 30
    assert said[0] < said[1], "the statement goes before the acknowledgement"


def test_nothing_is_lost_or_doubled_when_the_wire_is_cut_before_each_acknowledgement(
    broker: Mosquitto, tmp_path: Path, engine: Engine
) -> None:
    """Between commit and PUBACK: every pack costs a connection once, and is found stored the next time."""
    enrol_world(engine)
    packs, cut_for = [north_pack(1 + number) for number in range(12)], set[bytes]()

    def at_puback(payload: bytes) -> bool:
        is_known = payload in cut_for
        cut_for.add(payload)
        return is_known

    with wire_to(broker.port) as wire:
        wire.at_puback = at_puback
        with collecting_from(tmp_path, wire.port, engine) as collector:
            with publishing(broker.port) as node:
                publish_all(node, READINGS, packs)
            wait_for(lambda: set(wire.acknowledged) == set(packs), "acknowledgements")
            counted = collector.counters()
    assert cut_for == set(packs)
    assert wire.connections >= 13
    assert rows(engine, "SELECT seq FROM instant ORDER BY seq") == [(1 + number,) for number in range(12)]
    assert rows(engine, "SELECT count(*) FROM reading") == [(24,)]
    assert 12 <= int(str(counted["redelivered"])) <= len(wire.delivered) - 12
    assert redelivered(broker, tmp_path) == [], "the broker still keeps what is stored"


def redelivered(broker: Mosquitto, folder: Path) -> list[bytes]:
    """What the broker still keeps for the collector, as it comes before a pack of our own."""
    queue, last = FakeQueue(), b"the last"
    with taking(folder, broker.port, queue), publishing(broker.port) as node:
        publish_all(node, READINGS, [last])
        wait_for(lambda: any(one.payload == last for one in queue.offers), "the last pack")
    return [one.payload for one in queue.offers if one.payload != last]


@pytest.mark.parametrize(("kind", "kept"), [(BrokerIntake, [b"second"]), (Unguarded, [])])
def test_a_stale_answer_acknowledges_nothing(
    tmp_path: Path, kind: type[BrokerIntake], kept: list[bytes]
) -> None:
    """A broker that lost its sessions numbers from 1 again: the first pack's answer is the second's number.

    The mutant without the guard loses the second pack: it is acknowledged, and nobody stored it.
    """
    queue = FakeQueue()
    with mosquitto(tmp_path / "broker") as broker:
        with taking(tmp_path, broker.port, queue, kind=kind) as intake:
            with publishing(broker.port) as node:
                publish_all(node, READINGS, [b"first"])
            stale = Taken(token=queue.wait(1)[0].token, code=None)
            broker.end(signal.SIGKILL)  # nothing was saved: queue and sessions are gone
            wait_for(lambda: not intake.counters()["connections"], "the end")
            broker.start()
            wait_for(lambda: intake.counters()["connections"], "the broker again")
            with publishing(broker.port) as node:
                publish_all(node, READINGS, [b"second"])
            queue.wait(2)
            intake.taken([stale])
            assert intake.counters()["stale_answers"] == (kind is BrokerIntake)
        assert redelivered(broker, tmp_path) == kept


def test_an_answer_between_two_connections_is_dropped(broker: Mosquitto, tmp_path: Path) -> None:
    """Cut, and answered before the next connection stands: it must not wait in line for that one."""
    queue = FakeQueue()
    with wire_to(broker.port) as wire, taking(tmp_path, wire.port, queue) as intake:
        with publishing(broker.port) as node:
            publish_all(node, READINGS, [b"first"])
        stale = Taken(token=queue.wait(1)[0].token, code=None)
        wire.is_open = False
        wire.cut()
        wait_for(lambda: intake.counters()["connections"] == 0, "the cut")
        intake.taken([stale])
        assert intake.counters()["stale_answers"] == 1
        wire.is_open = True
        assert queue.wait(2)[1].payload == b"first"
        assert wire.acknowledged == []
        intake.taken(queue.taken(None))
        wait_for(lambda: wire.acknowledged == [b"first"], "the acknowledgement")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL])
def test_a_broker_that_starts_anew_is_found_again(
    broker: Mosquitto, tmp_path: Path, engine: Engine, number: int
) -> None:
    """Killed, it forgets sessions, queue and what was retained; the node has what no statement named."""
    enrol_world(engine)
    told = DownlinkValue(topic=NORTH + "config", payload=b'{"rev":7}', rev=7)
    with collecting_from(tmp_path, broker.port, engine, downlinks=lambda: [told]):
        with publishing(broker.port) as node:
            publish_all(node, READINGS, [north_pack(1)])
        wait_for(lambda: rows(engine, "SELECT count(*) FROM instant") == [(1,)], "the first pack")
        broker.end(number)
        broker.start()
        with publishing(broker.port) as node:
            publish_all(node, READINGS, [north_pack(1), north_pack(2)])
            wait_for(lambda: rows(engine, "SELECT count(*) FROM instant") in ([(2,)], [(1,)]), "packs")
            # a pack that comes while nobody has subscribed is gone with the broker's word: the node resends
            wait_for(lambda: is_resent(node, engine), "both packs")
        with hearing(broker.port, NORTH + "config", ACK) as heard:
            wait_for(lambda: told.payload in heard.payloads(NORTH + "config"), "the retained config")
            wait_for(lambda: uptos(heard)[-1:] == [2], "the retained statement")
    assert rows(engine, "SELECT count(*) FROM reading") == [(4,)]


def is_resent(node: Any, engine: Engine) -> bool:
    if rows(engine, "SELECT count(*) FROM instant") == [(2,)]:
        return True
    publish_all(node, READINGS, [north_pack(2)])
    return False


def uptos(heard: Heard) -> list[int]:
    said = [read_statement(payload) for payload in heard.payloads(ACK)]
    return [one.upto for one in said if one is not None]


def test_qos_0_is_stored_and_never_acknowledged(broker: Mosquitto, tmp_path: Path) -> None:
    queue = FakeQueue()
    with wire_to(broker.port) as wire, taking(tmp_path, wire.port, queue, unread_s=0) as intake:
        with publishing(broker.port) as node:
            publish_all(node, READINGS, [b"1"], qos=0)
            assert queue.wait(1)[0].token is None
            queue.full = True
            publish_all(node, READINGS, [b"2"], qos=0)
            wait_for(lambda: intake.counters()["packs_dropped"] == 1, "the drop")
        assert (wire.acknowledged, len(queue.offers)) == ([], 1)


def test_a_full_line_keeps_the_acknowledgements_back(broker: Mosquitto, tmp_path: Path) -> None:
    queue, packs = FakeQueue(), [b"%d" % number for number in range(250)]
    with wire_to(broker.port) as wire, taking(tmp_path, wire.port, queue) as intake:
        with publishing(broker.port) as node:
            publish_all(node, READINGS, packs)
        queue.wait(200)
        queue.full = True
        intake.taken([Taken(token=one.token, code=None) for one in queue.offers[:100]])
        counted = intake.counters()
        assert (counted["queue_pauses"], counted["packs_unacknowledged"]) == (1, 200)
        assert (len(queue.offers), wire.acknowledged) == (200, []), "the Receive Maximum holds the rest"
        queue.full = False
        intake.taken([Taken(token=one.token, code=None) for one in queue.offers[100:200]])
        queue.wait(250)
        wait_for(lambda: wire.acknowledged == packs[:200], "acknowledgements in order of receipt")


def test_a_full_line_is_not_read_and_the_broker_waits(broker: Mosquitto, tmp_path: Path) -> None:
    """Seen with mosquitto 2.0.11: 1791 in flight where 200 were asked. The line must not grow with it."""
    queue = FakeQueue()
    with wire_to(broker.port) as wire, taking(tmp_path, wire.port, queue) as intake:
        with publishing(broker.port) as node:
            publish_all(node, READINGS, [b"first"])
            queue.wait(1)
            queue.full = True
            publish_all(node, READINGS, [b"second"])
        wait_for(lambda: b"second" in wire.delivered, "the delivery")
        intake.taken(queue.taken(None))
        assert (len(queue.offers), wire.acknowledged) == (1, [])
        queue.full = False
        intake.taken([])
        assert queue.wait(2)[1].payload == b"second"
        assert (wire.connections, intake.counters()["packs_dropped"]) == (1, 0)


def test_what_comes_to_a_line_long_full_is_left_and_comes_again(broker: Mosquitto, tmp_path: Path) -> None:
    queue = FakeQueue()
    with wire_to(broker.port) as wire, taking(tmp_path, wire.port, queue, unread_s=0.3) as intake:
        with publishing(broker.port) as node:
            publish_all(node, READINGS, [b"first"])
            queue.wait(1)
            queue.full = True
            publish_all(node, READINGS, [b"second"])
            publish_all(node, READINGS, [b"third"], qos=0)
        wait_for(lambda: intake.counters()["packs_dropped"] == 1, "what follows the second to be left")
        intake.taken(queue.taken(None))
        assert (len(queue.offers), wire.acknowledged, wire.connections) == (1, [], 1)
        queue.full = False
        intake.taken([])
        wait_for(lambda: queue.offers[-1].payload == b"second", "the second to come again")
        assert wire.connections == 2
        intake.taken([Taken(token=queue.offers[-1].token, code=None)])
        wait_for(lambda: wire.acknowledged[-1:] == [b"second"], "its acknowledgement")


def test_a_retained_state_is_word_of_then(broker: Mosquitto, tmp_path: Path) -> None:
    status = NORTH + "status"
    with publishing(broker.port) as node:
        node.publish(status, b'{"st":"up","t":1767000000000}', qos=1, retain=True).wait_for_publish(
            DEADLINE_S
        )
    queue = FakeQueue()
    with taking(tmp_path, broker.port, queue), publishing(broker.port) as node:
        assert queue.wait(1)[0].arrival_ms == 1767000000000
        node.publish(status, b'{"st":"up","t":1767000000001}', qos=1, retain=True)
        assert queue.wait(2)[1].arrival_ms == ARRIVAL_MS, "this one was heard now"


def test_a_retained_state_without_a_time_is_left(broker: Mosquitto, tmp_path: Path) -> None:
    with publishing(broker.port) as node:
        node.publish(NORTH + "status", b'{"st":"up","t":null}', qos=1, retain=True).wait_for_publish()
    queue = FakeQueue()
    with wire_to(broker.port) as wire, taking(tmp_path, wire.port, queue):
        wait_for(lambda: len(wire.acknowledged) == 1, "its acknowledgement")
    assert queue.offers == []


def test_no_older_word_follows_a_newer_one(broker: Mosquitto, tmp_path: Path) -> None:
    newer, older = (DownlinkValue(topic=ACK, payload=b"%d" % rev, rev=rev) for rev in (9, 8))
    with taking(tmp_path, broker.port, FakeQueue()) as intake, hearing(broker.port, ACK) as heard:
        intake.send([newer, older, DownlinkValue(topic=ACK, payload=b"10", rev=10)])
        wait_for(lambda: len(heard.messages) == 2, "two words")
    assert heard.payloads(ACK) == [b"9", b"10"]


def test_held_it_takes_nothing_and_the_broker_keeps_it(broker: Mosquitto, tmp_path: Path) -> None:
    queue = FakeQueue()
    with wire_to(broker.port) as wire, taking(tmp_path, wire.port, queue) as intake:
        intake.hold()
        with publishing(broker.port) as node:
            publish_all(node, READINGS, [b"late"])
        wait_for(lambda: wire.delivered == [b"late"], "the delivery")
    assert queue.offers == []
    assert redelivered(broker, tmp_path) == [b"late"]


def test_a_wrong_password_is_said_and_tried_again(
    broker: Mosquitto, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (wrong := tmp_path / "wrong").write_text("0000000000000000", "utf-8")
    wrong.chmod(0o600)
    settings = place(tmp_path, broker.port, password_file=wrong)
    intake = BrokerIntake(queue=FakeQueue(), settings=settings, clock_ms=lambda: 0, first_retry_s=0.05)
    intake.start()
    wait_for(lambda: intake.counters()["refused_connects"] >= 2, "two refusals")
    intake.stop()
    said = [line for line in caplog.messages if "refused us as user 'collector'" in line]
    assert len(said) == 1, "once, however often it is tried"
    assert "0000000000000000" not in caplog.text


def answer_old(server: socket.socket, levels: list[int]) -> None:
    """A broker of 3.1.1 alone, for as long as a connection takes: it refuses level 5 with its code 1."""
    while True:
        try:
            one, _ = server.accept()
        except OSError:
            return
        with one:
            buffer = bytearray()
            while (frame := find_frame(buffer, 0, 1 << 20)) is None:
                buffer += one.recv(65536)
            packet = read(*frame[:1], buffer, *frame[1:], 4)
            assert isinstance(packet, Connect)
            levels.append(packet.version)
            one.sendall(b"\x20\x02\x00\x01" if packet.version == 5 else b"\x20\x02\x00\x00")
            while packet.version == 4 and (asked := one.recv(65536)):
                if asked[0] == 0x82:  # both filters of a SUBSCRIBE are granted
                    one.sendall(b"\x90\x04" + asked[2:4] + b"\x01\x01")


def test_it_falls_back_to_3_1_1(tmp_path: Path) -> None:
    levels: list[int] = []
    with socket.create_server(("127.0.0.1", 0)) as server:
        thread = threading.Thread(target=answer_old, args=(server, levels))
        thread.start()
        try:
            with taking(tmp_path, server.getsockname()[1], FakeQueue()) as intake:
                assert intake.counters()["refused_connects"] == 0
        finally:
            server.shutdown(socket.SHUT_RDWR)
            thread.join(DEADLINE_S)
    assert levels == [5, 4]


@pytest.mark.parametrize(
    ("mode", "text", "needed", "came"),
    [
        (0o600, None, "the password of the collector in", "No such file"),
        (0o640, "secret", "its owner's alone", "others may read"),
    ],
)
def test_a_password_that_cannot_be_used_stops_the_start(
    tmp_path: Path, mode: int, text: str | None, needed: str, came: str
) -> None:
    path = tmp_path / "password"
    if text is not None:
        path.write_text(text, "utf-8")
        path.chmod(mode)
    intake = BrokerIntake(queue=FakeQueue(), settings=Broker(password_file=path), clock_ms=lambda: 0)
    with refuses(SettingsError, asked="connect to the broker", needed=needed, came=came):
        intake.start()
    intake.stop()


def test_an_authority_that_is_none_stops_the_start(tmp_path: Path) -> None:
    (ca := tmp_path / "ca.pem").write_text("no certificate", "utf-8")
    intake = BrokerIntake(queue=FakeQueue(), settings=place(tmp_path, 1, ca_file=ca), clock_ms=lambda: 0)
    with refuses(SettingsError, asked="connect to the broker", needed=str(ca), came="no certificate"):
        intake.start()


def test_answers_of_others_are_left(tmp_path: Path) -> None:
    answers: Sequence[Taken] = [Taken(token=None, code=None), Taken(token=("a", 1), code=None)]
    BrokerIntake(queue=FakeQueue(), settings=Broker(), clock_ms=lambda: 0).taken(answers)
