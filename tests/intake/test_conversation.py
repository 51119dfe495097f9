"""What each packet of a node is answered with, over real sockets."""

import pytest

from server.intake.packets import (
    Disconnect,
    Filter,
    Packet,
    Puback,
    Publish,
    Suback,
    Subscribe,
    Unsuback,
    Unsubscribe,
)
from tests.fakes.intake import NORTH, SOUTH, listening

BOTH = pytest.mark.parametrize("version", [4, 5])

FAULTS: list[tuple[Packet, int, str]] = [
    (Publish(topic=""), 0x90, "5:4.7.0-1 empty topic"),
    (Publish(topic=NORTH + "+"), 0x90, "5:3.3.2-2 wildcard"),
    (Publish(topic=NORTH + "readings", qos=2, packet_id=1), 0x9B, "5:3.2.2-11 QoS 2"),
    (Publish(topic="", properties={"topic_alias": 1}), 0x94, "5:3.3.2-9 alias"),
    (Publish(topic=NORTH + "readings", properties={"subscription_id": 1}), 0x82, "5:3.3.4-6"),
    (
        Subscribe(packet_id=1, filters=(Filter(topic=NORTH + "ack"),), properties={"subscription_id": 1}),
        0xA1,
        "subscription identifier",
    ),
    (Disconnect(properties={"session_expiry_s": 5}), 0x82, "5:3.14.2.2.2 expiry after 0"),
]


@pytest.mark.parametrize(("packet", "code", "clause"), FAULTS, ids=[row[2] for row in FAULTS])
def test_5_is_told_what_it_may_not_say(packet: Packet, code: int, clause: str) -> None:
    with listening() as yard, yard.client(5) as node:
        node.connect()
        node.send(packet)
        assert node.receive(Disconnect).code == code
        assert node.is_closed()
        assert yard.queue.offers == []


@pytest.mark.parametrize("packet", [row[0] for row in FAULTS[:3]], ids=[row[2] for row in FAULTS[:3]])
def test_3_is_closed_for_the_same(packet: Packet, caplog: pytest.LogCaptureFixture) -> None:
    with listening() as yard, yard.client(4) as node:
        node.connect()
        node.send(packet)
        assert node.is_closed()
    assert any("saltmarsh-yard/north" in line for line in caplog.messages)


FOREIGN = [SOUTH + "readings", NORTH + "ack", NORTH + "config", NORTH + "secret", "hangtrue/v1", "a/b"]


@pytest.mark.parametrize("topic", FOREIGN)
def test_a_node_writes_its_own_topics_alone(topic: str, caplog: pytest.LogCaptureFixture) -> None:
    with listening() as yard, yard.client(4) as old, yard.client(5) as new:
        new.connect(client_id="new")
        new.send(Publish(topic=topic, qos=1, packet_id=3))
        assert new.receive(Puback).code == 0x87
        new.send(Publish(topic=NORTH + "status", payload=b"{}"))  # it stays
        yard.queue.wait(1)
        old.connect(client_id="old")
        old.send(Publish(topic=topic, qos=1, packet_id=3))
        assert old.is_closed()  # 3:3.3.5-2
        assert [offer.topic for offer in yard.queue.offers] == [NORTH + "status"]
        assert yard.count("refused_topics") == 2
    assert len([line for line in caplog.messages if "may not publish" in line]) == 2


WISHES = [
    (Filter(topic=NORTH + "config", qos=2), 1, 1),  # 3:3.8.4-6, 5:3.2.2-10
    (Filter(topic=NORTH + "ack", qos=0), 0, 0),
    (Filter(topic=NORTH + "status", qos=1), 0x80, 0x87),
    (Filter(topic=SOUTH + "ack", qos=1), 0x80, 0x87),
    (Filter(topic="#", qos=1), 0x80, 0x87),
    (Filter(topic=NORTH + "a#", qos=1), 0x80, 0x8F),  # 3:4.7.1-2
    (Filter(topic="", qos=1), 0x80, 0x8F),
    (Filter(topic="$share/all/" + NORTH + "ack", qos=1), 0x80, 0x9E),  # 5:4.8.2-1
]


@BOTH
def test_a_node_reads_its_own_topics_alone(version: int) -> None:
    with listening() as yard, yard.client(version) as node:
        node.connect()
        node.send(Subscribe(packet_id=7, filters=tuple(row[0] for row in WISHES)))
        wanted = tuple(row[1] if version == 4 else row[2] for row in WISHES)
        assert node.receive(Suback) == Suback(packet_id=7, codes=wanted)


@BOTH
def test_what_is_unsubscribed_comes_no_more(version: int) -> None:
    with listening() as yard, yard.client(version) as node:
        node.connect()
        node.send(Subscribe(packet_id=1, filters=(Filter(topic=NORTH + "ack", qos=1),)))
        node.receive(Suback)
        node.send(Unsubscribe(packet_id=2, filters=(NORTH + "ack", NORTH + "config")))
        codes = (0, 0x11) if version == 5 else ()
        assert node.receive(Unsuback) == Unsuback(packet_id=2, codes=codes)
        yard.listener.send([yard.directory.put(NORTH + "ack", b"one", 1)])
        assert node.is_quiet()


HANDLING = [(0, [True, True]), (1, [True, False]), (2, [False, False])]


@pytest.mark.parametrize(("handling", "comes"), HANDLING)
def test_retain_handling_decides_what_a_subscription_finds(handling: int, comes: list[bool]) -> None:
    with listening() as yard, yard.client(5) as node:
        yard.directory.put(NORTH + "config", b"one", 1)
        node.connect()
        for is_sent in comes:
            wish = Filter(topic=NORTH + "config", qos=1, retain_handling=handling)
            node.send(Subscribe(packet_id=1, filters=(wish,)))
            node.receive(Suback)
            if is_sent:
                packet = node.receive(Publish)
                assert packet.retain
                node.send(Puback(packet_id=packet.packet_id or 0))
            else:
                assert node.is_quiet()


def test_a_maximum_packet_size_bounds_what_is_sent() -> None:  # 5:3.1.2-24
    with listening() as yard, yard.client(5) as node:
        yard.directory.put(NORTH + "config", b"x" * 200, 1)
        yard.directory.put(NORTH + "ack", b"{}", 1)
        node.connect(properties={"maximum_packet_bytes": 100})
        both = (Filter(topic=NORTH + "config", qos=1), Filter(topic=NORTH + "ack", qos=1))
        node.send(Subscribe(packet_id=1, filters=both))
        node.receive(Suback)
        assert node.receive(Publish).topic == NORTH + "ack"
        assert node.is_quiet()
        yard.listener.send([yard.directory.put(NORTH + "config", b"x", 2)])
        assert node.receive(Publish).topic == NORTH + "config"


def test_a_receive_maximum_of_one_gets_one_at_a_time() -> None:
    with listening() as yard, yard.client(5) as node:
        yard.directory.put(NORTH + "config", b"1", 1)
        yard.directory.put(NORTH + "ack", b"2", 1)
        node.connect(properties={"receive_maximum": 1})
        both = (Filter(topic=NORTH + "config", qos=1), Filter(topic=NORTH + "ack", qos=1))
        node.send(Subscribe(packet_id=1, filters=both))
        node.receive(Suback)
        first = node.receive(Publish)
        assert node.is_quiet()
        node.send(Puback(packet_id=first.packet_id or 0))
        assert node.receive(Publish).topic != first.topic
