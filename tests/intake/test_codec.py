"""The codec: laws over random packets, and the bytes that the standards print or forbid."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.intake.codec import find_frame, read, write
from server.intake.fields import PacketError
from server.intake.packets import Connect, Disconnect, Packet, Puback, Publish, Suback, Subscribe
from server.intake.reasons import Reason
from tests.intake.packets_strategies import packets

MOST = 1 << 20
BOTH = st.sampled_from([4, 5])


def parsed(data: bytes, version: int, step: int) -> list[Packet]:
    """The packets of bytes that come `step` at a time."""
    buffer, found = bytearray(), []
    for index in range(0, len(data), step):
        buffer += data[index : index + step]
        while frame := find_frame(buffer, 0, MOST):
            first, start, end = frame
            found.append(read(first, buffer, start, end, version))
            del buffer[:end]
    assert not buffer
    return found


@given(BOTH.flatmap(lambda version: st.tuples(st.just(version), packets(version))))
@settings(derandomize=True, max_examples=200, deadline=None)
def test_a_packet_comes_back_as_it_was(case: tuple[int, Packet]) -> None:
    version, packet = case
    assert parsed(write(packet, version), version, MOST) == [packet]


@given(BOTH.flatmap(lambda version: st.tuples(st.just(version), st.lists(packets(version), max_size=4))))
@settings(derandomize=True, max_examples=60, deadline=None)
def test_bytes_one_at_a_time_give_the_same_packets(case: tuple[int, list[Packet]]) -> None:
    version, several = case
    data = b"".join(write(packet, version) for packet in several)
    assert parsed(data, version, 1) == parsed(data, version, max(1, len(data))) == several


@given(data=st.binary(max_size=300), version=BOTH)
@settings(derandomize=True, max_examples=300, deadline=None)
def test_random_bytes_raise_nothing_but_our_own_error(data: bytes, version: int) -> None:
    feed_anything(data, version)


@given(BOTH.flatmap(lambda v: st.tuples(st.just(v), packets(v), st.integers(0, 10**6), st.integers(0, 255))))
@settings(derandomize=True, max_examples=300, deadline=None)
def test_a_packet_with_one_wrong_byte_raises_nothing_but_our_own_error(
    case: tuple[int, Packet, int, int],
) -> None:
    version, packet, where, byte = case
    data = bytearray(write(packet, version))
    data[where % len(data)] = byte
    feed_anything(bytes(data), version)


def feed_anything(data: bytes, version: int) -> None:
    buffer = bytearray(data)
    try:
        while frame := find_frame(buffer, 0, MOST):
            first, start, end = frame
            assert 0 < start <= end <= len(buffer)
            read(first, buffer, start, end, version)
            del buffer[:end]
    except PacketError:
        return


# Bytes written by hand from the tables of the two standards (OASIS 2014-10-29 and 2019-03-07).
KNOWN = {
    "10 10 00 04 4D515454 04 02 003C 0004 64303031": Connect(
        version=4, client_id="d001", clean=True, keep_alive_s=60
    ),
    "32 09 0003 612F62 000A 6869": Publish(topic="a/b", payload=b"hi", qos=1, packet_id=10),
    "3A 09 0003 612F62 000A 6869": Publish(topic="a/b", payload=b"hi", qos=1, packet_id=10, dup=True),
    "40 02 1234": Puback(packet_id=0x1234),
    "90 04 000A 01 80": Suback(packet_id=10, codes=(1, 0x80)),
    "E0 00": Disconnect(),
}
KNOWN_5 = {
    "10 16 00 04 4D515454 05 02 003C 05 11 0000000A 0004 64303031": Connect(
        version=5, client_id="d001", clean=True, keep_alive_s=60, properties={"session_expiry_s": 10}
    ),
    "32 0A 0003 612F62 000A 00 6869": Publish(topic="a/b", payload=b"hi", qos=1, packet_id=10),
    "40 09 1234 83 05 1F 0002 6E6F": Puback(packet_id=0x1234, code=0x83, properties={"reason_string": "no"}),
    "E0 01 8E": Disconnect(code=0x8E),
}


@pytest.mark.parametrize(
    ("text", "packet", "version"),
    [(text, packet, 4) for text, packet in KNOWN.items()]
    + [(text, packet, 5) for text, packet in KNOWN_5.items()],
)
def test_bytes_of_the_standards(text: str, packet: Packet, version: int) -> None:
    data = bytes.fromhex(text)
    assert parsed(data, version, MOST) == [packet]
    assert write(packet, version) == data


M, P = Reason.MALFORMED, Reason.PROTOCOL_ERROR
FAULTS = [
    ("00 00", 4, M, "3:2.2.2-1 reserved type 0"),
    ("C1 00", 4, M, "3:2.2.2-2 flags of PINGREQ"),
    ("80 05 0001 0000 00", 5, M, "5:2.1.3-1 flags of SUBSCRIBE"),
    ("30 FF FF FF FF 01", 4, M, "5:1.5.5-1 a length of five bytes"),
    ("36 05 0001 61 0001", 4, M, "3:3.3.1-4 QoS 3"),
    ("38 03 0001 61", 4, M, "3:3.3.1-2 DUP at QoS 0"),
    ("32 05 0001 61 0000", 5, P, "5:2.2.1-3 packet id 0"),
    ("30 04 0002 C3 28", 4, M, "3:1.4.0-1 not UTF-8"),
    ("30 05 0003 EDA080", 5, M, "5:1.5.4-1 a surrogate"),
    ("30 03 0001 00", 5, M, "5:1.5.4-2 U+0000"),
    ("82 02 0001", 4, P, "3:3.8.3-3 no filter"),
    ("82 06 0001 0001 61 03", 5, M, "a block of properties is missing"),
    ("82 06 0001 0001 61 03", 4, P, "QoS bits 3"),
    ("82 07 0001 00 0001 61 C0", 5, M, "5:3.8.3-5 reserved bits"),
    ("82 07 0001 00 0001 61 30", 5, P, "retain handling 3"),
    ("82 06 0001 0001 61 04", 4, M, "3:3.8.3-4 reserved bits"),
    ("A2 02 0001", 4, P, "3:3.10.3-2 no filter"),
    ("62 02 0001", 5, P, "PUBREL: QoS 2 is not spoken"),
    ("F0 00", 5, P, "AUTH is not spoken"),
    ("E0 01 00", 4, M, "DISCONNECT of 3.1.1 has no body"),
    ("30 0A 0001 61 06 23 0001 23 0001", 5, P, "the same property twice"),
    ("30 07 0001 61 03 21 0001", 5, M, "a property of another packet"),
    ("30 06 0001 61 02 01 02", 5, P, "payload format 2"),
    ("10 0C 0004 4D515454 04 03 003C 0000", 4, M, "3:3.1.2-3 reserved flag"),
    ("10 0C 0004 4D515454 04 22 003C 0000", 4, M, "3:3.1.2-15 will retain without a will"),
    ("10 0C 0004 4D515454 04 1E 003C 0000", 4, M, "3:3.1.2-14 will QoS 3"),
    ("10 0E 0004 4D515454 04 42 003C 0000 0000", 4, M, "3:3.1.2-22 password without user"),
    ("10 0D 0004 4D515454 04 02 003C 0000 00", 4, M, "a byte too many"),
    ("10 0C 0004 4D515454 03 02 003C 0000", 4, Reason.UNSUPPORTED_VERSION, "3:3.1.2-2 level 3"),
    ("10 0C 0004 4D515454 06 02 003C 0000", 4, Reason.UNSUPPORTED_VERSION, "5:3.1.2-2 level 6"),
    ("10 0E 0006 4D5149736470 03 02 003C 0000", 4, Reason.UNSUPPORTED_VERSION, "3:3.1.2-1 another name"),
]


@pytest.mark.parametrize(("text", "version", "reason", "clause"), FAULTS, ids=[row[3] for row in FAULTS])
def test_what_the_standards_forbid_is_refused(text: str, version: int, reason: Reason, clause: str) -> None:
    with pytest.raises(PacketError) as caught:
        parsed(bytes.fromhex(text), version, MOST)
    assert caught.value.reason == reason


VERSIONS = {"04 03 003C": 4, "03 02 003C": 4, "06 02 003C": 5, "05 03 003C": 5}


@pytest.mark.parametrize(("rest", "version"), VERSIONS.items())
def test_a_faulty_connect_says_in_which_version_to_answer(rest: str, version: int) -> None:
    with pytest.raises(PacketError) as caught:
        parsed(bytes.fromhex("10 0C 0004 4D515454" + rest + "0000"), 4, MOST)
    assert caught.value.version == version


def test_a_packet_too_long_is_refused_by_its_head_alone() -> None:
    head = bytearray(b"\x30\x80\x80\x40")  # a megabyte is announced, nothing of it has come
    with pytest.raises(PacketError) as caught:
        find_frame(head, 0, 20480)
    assert caught.value.reason == Reason.TOO_LARGE
    largest = bytearray(b"\x30" + bytes.fromhex("FD9F01") + b"x" * 20477)
    with pytest.raises(PacketError):
        find_frame(largest, 0, 20480)
    assert find_frame(largest, 0, len(largest)) == (0x30, 4, len(largest))


def test_options_of_a_filter_are_left_out_in_3() -> None:
    wish = Subscribe(packet_id=1, filters=())
    assert write(wish, 4) == b"\x82\x02\x00\x01"
