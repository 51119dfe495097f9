"""What a broker sends, however it is cut: publications to us, the rest to paho, each in its place."""

import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from server.intake.broker_link import Came, Link
from server.intake.broker_wire import Wiring
from server.intake.codec import find_frame, read, write
from server.intake.packets import Connack, Connect, Disconnect, Packet, Pingresp, Puback, Publish
from tests.fakes.intake import DEADLINE_S, NORTH, SOUTH, wait_for

TOPIC, OTHER = NORTH + "readings", SOUTH + "readings"
PLAIN = [Publish(topic=TOPIC, payload=b"[%d]" % number, qos=1, packet_id=number) for number in (1, 2, 3)]
SENT: list[Packet] = [
    *PLAIN,
    Publish(topic=OTHER, payload=b"x" * 300, qos=1, packet_id=4),
    Publish(topic=TOPIC, payload=b"", qos=0),
    Pingresp(),
    Publish(topic=TOPIC, payload=b"5", qos=1, packet_id=5, dup=True),
    Publish(topic=TOPIC, payload=b"6", qos=1, packet_id=6, retain=True),
    Publish(
        topic=TOPIC, payload=b"7", qos=1, packet_id=7, properties={"content_type": "application/senml+json"}
    ),
]
TOLD = [
    *(Came(TOPIC, b"[%d]" % number, number) for number in (1, 2, 3)),
    Came(OTHER, b"x" * 300, 4),
    Came(TOPIC, b"", 0),
    Came(TOPIC, b"5", 5),
    Came(TOPIC, b"6", 6, retain=True),
    Came(TOPIC, b"7", 7, properties={"content_type": "application/senml+json"}),
]


@dataclass
class Broker:
    """Lets everyone in and sends each connection the next of `pieces`; keeps the packets that it hears."""

    server: socket.socket
    pieces: list[Sequence[bytes]]
    heard: list[Packet] = field(default_factory=list)
    connections: int = 0

    def run(self) -> None:
        while True:
            try:
                one, _ = self.server.accept()
            except OSError:
                return
            with one:
                one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self.connections += 1
                self._hear(one)

    def _hear(self, one: socket.socket) -> None:
        buffer = bytearray()
        while True:
            try:
                came = one.recv(65536)
            except OSError:
                return
            if not came:
                return
            buffer += came
            while frame := find_frame(buffer, 0, 1 << 20):
                first, start, end = frame
                packet = read(first, buffer, start, end, 5)
                del buffer[:end]
                self.heard.append(packet)
                if isinstance(packet, Connect):
                    for piece in self.pieces.pop(0) if self.pieces else [write(Connack(), 5)]:
                        one.sendall(piece)


@contextmanager
def linked(
    pieces: list[Sequence[bytes]], arrived: Callable[[Sequence[Came]], None], **more: Any
) -> Iterator[tuple[Link, Broker, mqtt.Client]]:
    with socket.create_server(("127.0.0.1", 0)) as server:
        broker = Broker(server, pieces)
        thread = threading.Thread(target=broker.run)
        thread.start()
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, "us", protocol=MQTTProtocolVersion.MQTTv5, manual_ack=True
        )
        client.connect_async("127.0.0.1", server.getsockname()[1])
        parts: dict[str, Any] = {"arrived": arrived, "failed": lambda: None, "first_retry_s": 0.01, **more}
        link = Link(client, wiring=Wiring(None), **parts)
        link.start()
        try:
            yield link, broker, client
        finally:
            link.stop()
            server.shutdown(socket.SHUT_RDWR)
            thread.join(DEADLINE_S)


STREAM = b"".join(write(each, 5) for each in [Connack(), *SENT])


@pytest.mark.parametrize("size", [1, 2, 7, 350, len(STREAM)])
def test_however_it_is_cut_all_comes_in_order(size: int) -> None:
    lots: list[Sequence[Came]] = []
    pieces = [STREAM[at : at + size] for at in range(0, len(STREAM), size)]
    with linked([pieces], lots.append) as (_, _, client):
        wait_for(lambda: sum(map(len, lots)) >= len(TOLD), "all of it")
        assert client.is_connected()
    assert [one for lot in lots for one in lot] == TOLD


def test_what_came_with_the_answer_to_connect_comes_after_it() -> None:
    """A kept session's packs are sent at once: theirs is the connection that began, not the last."""
    order: list[str] = []
    with linked([[]], lambda lot: order.extend(one.payload.decode() for one in lot)) as (
        link,
        broker,
        client,
    ):
        client.on_connect = lambda *_: order.append("connected")
        wait_for(lambda: broker.heard, "CONNECT")
        broker.pieces.append([STREAM])
        client.on_disconnect = lambda *_: order.append("gone")
        link.cut()
        wait_for(lambda: "7" in order, "the last")
    assert order[:3] == ["gone", "connected", "[1]"]


def test_what_came_before_a_farewell_is_of_the_connection_that_ends() -> None:
    order: list[str] = []
    pieces = [write(Connack(), 5), write(PLAIN[0], 5) + write(Disconnect(code=0x8B), 5)]
    with linked([[]], lambda lot: order.extend(one.payload.decode() for one in lot)) as (
        link,
        broker,
        client,
    ):
        wait_for(lambda: broker.heard, "CONNECT")
        client.on_disconnect = lambda *_: order.append("gone")
        broker.pieces.append(pieces)
        link.cut()
        wait_for(lambda: order.count("gone") == 2, "the farewell")
    assert order[:3] == ["gone", "[1]", "gone"]


def test_acknowledgements_go_in_order_behind_what_was_published_before() -> None:
    with linked([[STREAM]], lambda _lot: None) as (link, broker, client):
        wait_for(client.is_connected, "the connection")
        client.publish(NORTH + "ack", b"{}", qos=1)
        link.acknowledge([1, 2])
        link.acknowledge([])
        link.acknowledge([3])
        wait_for(lambda: Puback(packet_id=3) in broker.heard, "the last")
        told = broker.heard[1:]
    assert [type(each) for each in told] == [Publish, Puback, Puback, Puback]
    assert told[1:] == [Puback(packet_id=number) for number in (1, 2, 3)]


def test_what_cannot_be_taken_is_asked_for_again(caplog: pytest.LogCaptureFixture) -> None:
    taken: list[Came] = []

    def arrived(lot: Sequence[Came]) -> None:
        if broker.connections == 1:
            raise RuntimeError("a fault of ours")
        taken.extend(lot)

    with linked([[STREAM], [STREAM]], arrived) as (_, broker, _client):
        wait_for(lambda: len(taken) >= len(TOLD), "the second time")
    assert taken == TOLD
    assert "it is asked for again" in caplog.text


def test_what_may_not_be_read_yet_stays_where_it_is_and_the_thread_rests() -> None:
    lots: list[Sequence[Came]] = []
    asked: list[None] = []

    def may_read() -> bool:
        asked.append(None)
        return not lots or room.is_set()

    room = threading.Event()
    with linked([[STREAM]], lots.append, may_read=may_read) as (link, broker, _client):
        wait_for(lambda: lots, "the first read")
        link.cut()
        broker.pieces.append([STREAM])
        wait_for(lambda: broker.connections == 2, "another connection")
        told, before = len(lots), len(asked)
        time.sleep(0.3)
        assert (len(lots), len(asked) - before < 20) == (told, True)
        room.set()
        link.acknowledge([])
        wait_for(lambda: sum(map(len, lots)) >= 2 * len(TOLD), "the rest")


@pytest.mark.parametrize("bad", [b"\x36\x03\x00\x00\x01", b"\x30\xff\xff\xff\xff\x01", b"\x61\x00"])
def test_what_is_no_mqtt_ends_the_connection(bad: bytes, caplog: pytest.LogCaptureFixture) -> None:
    with linked([[write(Connack(), 5) + bad]], lambda _lot: None) as (_, broker, client):
        wait_for(lambda: broker.connections == 2 and client.is_connected(), "another connection")
    assert "what is no MQTT" in caplog.text
