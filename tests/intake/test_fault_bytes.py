"""Bytes as no client sends them: one at a time, many packets at once, at random, with a length too large.

The standard's own words are what is asked for: 3.1.1 and 5.0, both 4.8, close on what cannot be read.
"""

import struct
import tracemalloc
from collections.abc import Iterator
from contextlib import suppress

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fakes.intake import Yard, listening, wait_for
from tests.intake.raw import (
    NORTH,
    PING,
    SOUTH_USER,
    Heard,
    Socket,
    frame,
    hello,
    length,
    publish,
    subscribe,
    text,
)

BOTH = pytest.mark.parametrize("version", [4, 5], ids=["3", "5"])
FLAT_BYTES = 1_000_000
BOUNDED = settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@BOTH
def test_one_byte_at_a_time(version: int) -> None:
    with listening() as yard, Socket(yard.port, version) as node:
        node.send_slowly(hello(version))
        assert node.hear().connack() == (0, 0)
        node.send_slowly(
            subscribe(version, (NORTH + "ack", 1)) + publish(version, 1, payload=b"x" * 200) + PING
        )
        assert node.hear().identifier() == 9
        assert node.hear() == Heard(0xD0, b"")
        assert [one.payload for one in yard.queue.wait(1)] == [b"x" * 200]


@BOTH
def test_ten_packets_in_one_segment(version: int) -> None:
    ten = [hello(version), subscribe(version, (NORTH + "ack", 1))]
    ten += [publish(version, number) for number in range(1, 8)] + [PING]
    assert len(ten) == 10
    with listening() as yard, Socket(yard.port, version) as node:
        node.send(*ten)
        assert node.hear().connack() == (0, 0)
        assert node.hear().identifier() == 9
        assert node.hear() == Heard(0xD0, b"")
        assert len(yard.queue.offers) == 7


@BOTH
@pytest.mark.parametrize("size", [20_481, 1_000_000, 268_435_455])
@pytest.mark.parametrize("is_in", [False, True], ids=["first", "later"])
def test_a_length_too_large_is_not_waited_for(version: int, size: int, is_in: bool) -> None:
    """It is refused by its head: not a byte of the rest is taken in."""
    with listening() as yard, Socket(yard.port, version) as node:
        if is_in:
            node.enter()
        tracemalloc.start()
        try:
            node.fill((b"\x30" if is_in else b"\x10") + length(size), 5)
            node.fill(b"x" * 65536, 1_000_000)
            said = node.rest()
            _, peak = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
        assert said[:1] in (b"", b"\xe0")
        assert peak < FLAT_BYTES
        wait_for(lambda: yard.count("connections") == 0, "it to be gone")


@pytest.fixture(scope="module")
def yard() -> Iterator[Yard]:
    """A listener for all examples, bounds on failures lifted: each example is a stranger."""
    with listening(failures=10**9, rate_per_minute=0, in_flight_3=10**6, in_flight=65535) as yard:
        yield yard


def says(yard: Yard, version: int, data: bytes, *, is_in: bool) -> None:
    """Say these bytes and no more; the listener closes, another node is served, and nothing is left."""
    with Socket(yard.port) as south, Socket(yard.port, version) as client:
        south.enter(client_id="south", user=SOUTH_USER)
        if is_in:
            client.enter()
        client.fill(data, len(data))
        with suppress(OSError):  # closed already
            client.finish()
        client.rest()
        assert south.ping()
    wait_for(lambda: yard.count("connections") == 0, "all to be gone")
    assert yard.count("packs_unacknowledged") == 0


@BOTH
@BOUNDED
@given(data=st.binary(max_size=400), is_in=st.booleans())
def test_random_bytes(yard: Yard, version: int, data: bytes, is_in: bool) -> None:
    says(yard, version, data, is_in=is_in)


@st.composite
def spoiled(draw: st.DrawFn) -> bytes:
    """A conversation of good packets with some bytes changed, left out or put in."""
    version = draw(st.sampled_from([4, 5]))
    good = [
        subscribe(version, (NORTH + "ack", 1), ("a/+/b", 2)),
        publish(version, 5, payload=b"[]"),
        publish(version, leaf="status"),
        frame(0xA2, b"\x00\x05", b"\x00" if version == 5 else b"", text(NORTH + "ack")),
        frame(0x40, struct.pack(">H", draw(st.integers(0, 65535)))),
        hello(version),
        PING,
    ]
    data = bytearray(b"".join(draw(st.lists(st.sampled_from(good), min_size=1, max_size=6))))
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(data) - 1))
        data[at : at + draw(st.integers(0, 2))] = draw(st.binary(max_size=2))
        if not data:
            break
    return bytes(data)


@BOTH
@BOUNDED
@given(data=spoiled(), is_in=st.booleans())
def test_spoiled_packets(yard: Yard, version: int, data: bytes, is_in: bool) -> None:
    says(yard, version, data, is_in=is_in)
    assert all(one.topic.startswith(NORTH) for one in yard.queue.offers)
