"""Framing, pauses, silence and what is left unsent, over real sockets."""

import pytest

from server.intake.codec import write
from server.intake.packets import (
    Connack,
    Disconnect,
    Filter,
    Pingreq,
    Pingresp,
    Puback,
    Publish,
    Suback,
    Subscribe,
)
from server.intake.values import DownlinkValue
from tests.fakes.intake import NORTH, connect_of, listening, wait_for

BOTH = pytest.mark.parametrize("version", [4, 5])


def reading(packet_id: int) -> Publish:
    return Publish(topic=NORTH + "readings", payload=b"[]", qos=1, packet_id=packet_id)


@BOTH
def test_many_packets_in_one_segment_are_all_read(version: int) -> None:
    with listening(burst=2000) as yard, yard.client(version) as node:
        node.send(connect_of(version), *[reading(number) for number in range(1, 200)], Pingreq())
        assert node.receive(Connack).code == 0
        assert node.receive(Pingresp) == Pingresp()
        assert len(yard.queue.offers) == 199


def test_more_packets_than_one_turn_takes_are_all_answered() -> None:
    with listening() as yard, yard.client() as node:
        node.connect()
        node.send(*[Pingreq()] * 2000)
        assert [node.receive(Pingresp) for _ in range(2000)] == [Pingresp()] * 2000


FAULTS = [
    (b"\x00\x00", 0x81, "5:2.1.3-1 a reserved type"),
    (b"\xc1\x00", 0x81, "5:2.1.3-1 wrong flags"),
    (b"\x30\xff\xff\xff\xff\x01", 0x81, "5:1.5.5-1 a length of five bytes"),
    (b"\x30\x80\x80\x40", 0x95, "5:3.2.2-15 a megabyte announced"),
    (b"\x36\x05\x00\x01a\x00\x01", 0x81, "5:3.3.1-4 QoS 3"),
    (b"\xf0\x00", 0x82, "AUTH"),
    (b"\x62\x02\x00\x01", 0x82, "PUBREL"),
    (b"\x20\x03\x00\x00\x00", 0x82, "a packet of servers"),
    (write(connect_of(5), 5), 0x82, "5:3.1.0-2 a second CONNECT"),
]


@BOTH
@pytest.mark.parametrize(("data", "code", "clause"), FAULTS, ids=[row[2] for row in FAULTS])
def test_a_fault_ends_the_connection_and_5_is_told_why(
    version: int, data: bytes, code: int, clause: str
) -> None:
    if data[0] == 0x20 and version == 4:
        data = b"\x20\x02\x00\x00"
    if data[0] == 0x10 and version == 4:
        data = write(connect_of(4), 4)
    with listening() as yard, yard.client(version) as node:
        node.connect()
        node.send(data)
        if version == 5:
            assert node.receive(Disconnect).code == code
        assert node.is_closed()
        assert yard.count("protocol_errors") == 1


def test_no_connect_in_time_closes() -> None:
    with listening(connect_within_s=0.05) as yard, yard.client() as silent:
        assert silent.is_closed()


def test_silence_of_one_and_a_half_keep_alives_closes() -> None:
    with (
        listening(in_flight_3=1) as yard,
        yard.client(4) as lively,
        yard.client(4) as held,
        yard.client(4) as old,
        yard.client(5) as new,
    ):
        for number, node in enumerate((lively, held, old, new)):
            node.connect(client_id=f"c{number}", keep_alive_s=1)
        held.send(reading(1))  # not read any further: then its silence is ours

        def are_closed() -> bool:
            lively.send(Pingreq())
            lively.receive(Pingresp)
            return yard.count("silent_closes") == 2

        wait_for(are_closed, "the two that are silent to be closed")
        assert new.receive(Disconnect).code == 0x8D  # 5:3.1.2-22
        assert new.is_closed()
        assert old.is_closed()  # 3:3.1.2-24
        lively.send(Pingreq())
        assert lively.receive(Pingresp) == Pingresp()
        yard.listener.taken(yard.queue.taken(None))
        assert held.receive(Puback).packet_id == 1


def test_3_reads_no_further_with_too_many_packs_in_flight() -> None:
    with listening(in_flight_3=4) as yard, yard.client() as node:
        node.connect()
        node.send(*[reading(number) for number in range(1, 7)], Pingreq())
        yard.queue.wait(4)
        assert node.is_quiet()
        assert len(yard.queue.offers) == 4
        answers = yard.queue.taken(None, None, None, None)
        yard.listener.taken(answers[:2])
        assert [node.receive(Puback).packet_id for _ in range(2)] == [1, 2]
        yard.queue.wait(6)
        yard.listener.taken([*answers[2:], *yard.queue.taken(None, None)])
        assert [node.receive(Puback).packet_id for _ in range(4)] == [3, 4, 5, 6]
        assert node.receive(Pingresp) == Pingresp()


def test_who_is_not_read_fills_his_own_buffers_and_not_our_memory() -> None:
    with listening(in_flight_3=1) as yard, yard.client() as node:
        node.connect()
        node.send(reading(1))
        yard.queue.wait(1)
        most_bytes = 64 << 20  # more than a kernel keeps of one connection
        assert node.fill(write(reading(2), 4) * 20_000, most_bytes) < most_bytes


def test_5_is_told_that_too_many_packs_are_in_flight() -> None:
    with listening(in_flight=2) as yard, yard.client(5) as node:
        assert node.connect().properties["receive_maximum"] == 2
        node.send(reading(1), reading(2), reading(3))
        assert node.receive(Disconnect).code == 0x93  # 5:3.3.4-7
        assert len(yard.queue.offers) == 2


def test_a_node_over_its_rate_is_not_read_for_a_while() -> None:
    with listening(rate_per_minute=240, burst=3) as yard, yard.client() as node, yard.client() as other:
        node.connect()
        other.connect(client_id="other", user="saltmarsh-yard.south.1")
        node.send(*[reading(number) for number in range(1, 5)])
        yard.queue.wait(3)
        other.send(Pingreq())
        assert other.receive(Pingresp) == Pingresp()
        assert len(yard.queue.offers) == 3
        yard.queue.wait(4)  # a quarter of a second later, by itself
        assert yard.count("rate_pauses") >= 1


def test_a_client_that_never_reads_is_closed_and_others_are_served() -> None:
    with listening(unsent_bytes=100_000) as yard, yard.client() as deaf, yard.client() as node:
        deaf.connect()
        node.connect(client_id="node")
        deaf.send(Subscribe(packet_id=1, filters=(Filter(topic=NORTH + "ack", qos=0),)))
        deaf.receive(Suback)
        for rev in range(1, 2000):
            yard.listener.send([DownlinkValue(topic=NORTH + "ack", payload=b"x" * 60_000, rev=rev)])
            if yard.count("unread_closes"):
                break
        wait_for(lambda: yard.count("unread_closes") == 1, "the deaf one to be closed")
        node.send(Pingreq())
        assert node.receive(Pingresp) == Pingresp()
