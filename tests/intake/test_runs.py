"""Ordinary packs in a row: what is read at once is what the codec reads one by one."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.intake.codec import find_frame, read, write
from server.intake.fields import PacketError, write_text
from server.intake.packets import Packet, Pingreq, Publish
from server.intake.runs import Run, plain_run

TOPIC = "hangtrue/v1/saltmarsh-yard/north/readings"
HEAD = write_text(TOPIC)
MOST_BYTES = 20480
LAW = settings(derandomize=True, database=None, deadline=None, max_examples=300)


def pack(
    packet_id: int, payload: bytes = b"[]", topic: str = TOPIC, *, dup: bool = False, retain: bool = False
) -> Publish:
    """A PUBLISH at QoS 1."""
    return Publish(topic=topic, payload=payload, qos=1, packet_id=packet_id, dup=dup, retain=retain)


def run(data: bytes, *, version: int = 4, at: int = 0, most: int = 1000, most_bytes: int = MOST_BYTES) -> Run:
    return plain_run(data, at, HEAD, most=most, most_bytes=most_bytes, is_5=version == 5)


def by_codec(data: bytes, version: int) -> list[Packet]:
    """What the codec reads before it meets something odd or unfinished."""
    packets, at = list[Packet](), 0
    try:
        while frame := find_frame(bytearray(data), at, MOST_BYTES):
            packets.append(read(frame[0], data, frame[1], frame[2], version))
            at = frame[2]
    except PacketError:
        pass
    return packets


@pytest.mark.parametrize("version", [4, 5])
def test_packs_of_every_length_are_read_in_order(version: int) -> None:
    packs = [pack(1 + size, b"x" * size) for size in (0, 1, 70, 79, 80, 81, 127, 128, 129, 4096, 16000)]
    data = b"".join(write(each, version) for each in packs)
    numbers = [each.packet_id or 0 for each in packs]
    assert run(data, version=version) == Run(numbers, [each.payload for each in packs], len(data))


ODD = {
    "QoS 0": Publish(topic=TOPIC, payload=b"[]"),
    "DUP": pack(1, dup=True),
    "RETAIN": pack(1, retain=True),
    "another topic": pack(1, topic=TOPIC.replace("readings", "status")),
    "a longer topic": pack(1, topic=TOPIC + "x"),
    "another packet": Pingreq(),
    "a length of three bytes": pack(1, b"x" * 17000),
}


@pytest.mark.parametrize("odd", ODD.values(), ids=ODD.keys())
def test_what_is_odd_ends_the_run_and_is_left(odd: Packet) -> None:
    before, after = write(pack(1), 4), write(pack(3), 4)
    assert run(before + write(odd, 4) + after) == Run([1], [b"[]"], len(before))


def test_properties_end_the_run() -> None:
    before = write(pack(1), 5)
    odd = write(Publish(topic=TOPIC, qos=1, packet_id=2, properties={"message_expiry_s": 5}), 5)
    assert run(before + odd, version=5) == Run([1], [b"[]"], len(before))


def test_bounds_end_the_run() -> None:
    data = b"".join(write(pack(number), 4) for number in range(1, 6))
    assert run(data, most=2).packet_ids == [1, 2]
    assert run(data, most=0) == Run([], [], 0)
    size = len(data) // 5
    assert run(data, most_bytes=size).packet_ids == [1, 2, 3, 4, 5]
    assert run(data, most_bytes=size - 1).packet_ids == []
    assert run(data, at=size).packet_ids == [2, 3, 4, 5]


def test_a_packet_identifier_of_0_ends_the_run() -> None:
    """Source: MQTT 3.1.1, MQTT-2.3.1-1."""
    data = bytearray(write(pack(1), 4))
    data[2 + len(HEAD) : 4 + len(HEAD)] = b"\0\0"
    assert run(bytes(data)) == Run([], [], 0)


@LAW
@given(
    st.lists(st.tuples(st.integers(1, 65535), st.binary(max_size=300)), max_size=5),
    st.sampled_from([4, 5]),
    st.data(),
)
def test_a_run_is_the_beginning_of_what_the_codec_reads(
    drawn: list[tuple[int, bytes]], version: int, data: st.DataObject
) -> None:
    """Whole, cut anywhere, and with a byte changed."""
    whole = b"".join(write(pack(packet_id, payload), version) for packet_id, payload in drawn)
    cut = whole[: data.draw(st.integers(0, len(whole)))]
    odd = cut
    if cut:
        at = data.draw(st.integers(0, len(cut) - 1))
        odd = cut[:at] + bytes((data.draw(st.integers(0, 255)),)) + cut[at + 1 :]
    for came in (whole, cut, odd):
        found = run(came, version=version)
        read_one_by_one = by_codec(came, version)[: len(found.packet_ids)]
        assert read_one_by_one == [
            pack(packet_id, payload)
            for packet_id, payload in zip(found.packet_ids, found.payloads, strict=True)
        ]
    assert run(whole, version=version).end == len(whole)
