"""Silence, what is in flight, rates, a store that fails and an orderly stop, clause by clause; bytes by hand.

`3:` is MQTT 3.1.1 (OASIS 2014-10-29), `5:` is MQTT 5.0 (OASIS 2019-03-07).
"""

import time

import pytest

from server.intake.limits import Limits
from tests.fakes.intake import listening, wait_for
from tests.intake.raw import (
    GONE,
    NORTH,
    PING,
    SOUTH,
    SOUTH_USER,
    Heard,
    Socket,
    frame,
    hello,
    publish,
    subscribe,
    text,
    u16,
    u32,
)

BOTH = pytest.mark.parametrize("version", [4, 5], ids=["3", "5"])
STATUS = (NORTH + "status", GONE)


def silent_for(node: Socket, code: int | None) -> float:
    """Seconds until a connection that says nothing is closed, with that word before it."""
    began_s = time.monotonic()
    if code is not None:
        assert node.hear().farewell() == code
    assert node.rest() == b""
    return time.monotonic() - began_s


@pytest.mark.parametrize(
    ("version", "keep_alive_s", "least_s", "most_s", "code"),
    [(4, 1, 1.4, 2.4, None), (5, 1, 1.4, 2.4, 0x8D), (4, 0, 0.9, 1.45, None), (5, 0, 1.4, 2.4, 0x8D)],
    ids=["3:[MQTT-3.1.2-24]", "5:[MQTT-3.1.2-22]", "3: ours", "5:[MQTT-3.2.2-21] ours"],
)
def test_silence_ends_a_connection(
    version: int, keep_alive_s: int, least_s: float, most_s: float, code: int | None
) -> None:
    """After 1.5 keep-alives; 3.1.1 is never told of ours, so that is the time itself. The will goes out."""
    assert Limits().keep_alive_s == 1800
    with listening(keep_alive_s=1) as yard, Socket(yard.port, version) as node:
        node.enter(keep_alive_s=keep_alive_s, will=STATUS)
        assert least_s <= silent_for(node, code) <= most_s
        assert yard.queue.wait(1)[0].payload == GONE


def test_a_packet_of_any_kind_breaks_the_silence() -> None:
    """3:[MQTT-3.1.2-24]: a control packet, not a PINGREQ alone."""
    with listening() as yard, Socket(yard.port) as node:
        node.enter(keep_alive_s=1)
        for number in (1, 2):
            assert node.is_quiet(0.8)
            node.send(publish(4, number))
        assert node.is_quiet(0.8), "2.4 s after CONNECT"


def test_too_many_in_flight_in_5() -> None:
    """5:[MQTT-3.3.4-7], with the Receive Maximum that it was told."""
    assert Limits().in_flight == 200
    with listening(in_flight=3) as yard, Socket(yard.port, 5) as node:
        assert node.enter().properties(2)[0x21] == 3
        node.send(*[publish(5, number) for number in range(1, 4)], publish(5), PING)
        assert node.hear() == Heard(0xD0, b""), "three in flight, and QoS 0 does not count"
        yard.listener.taken(yard.queue.taken(None)[-1:])
        assert node.hear().identifier() == 3
        node.send(publish(5, 4), publish(5, 5))
        assert node.hear().farewell() == 0x93
        assert node.rest() == b""
        assert len(yard.queue.offers) == 5


def test_too_many_in_flight_in_3() -> None:
    """3.1.1 has no word for it: reading pauses, and goes on once half is acknowledged."""
    assert Limits().in_flight_3 == 400
    with listening(in_flight_3=4) as yard, Socket(yard.port) as node:
        node.enter()
        node.send(*[publish(4, number) for number in range(1, 7)], PING)
        assert node.is_quiet()
        assert len(yard.queue.offers) == 4
        waiting = yard.queue.taken(None, None, None, None)
        yard.listener.taken(waiting[:1])
        assert node.hear().identifier() == 1
        assert node.is_quiet(), "three of four are still in flight"
        yard.listener.taken(waiting[1:2])
        assert node.hear().identifier() == 2
        yard.queue.wait(6)


@BOTH
def test_over_its_rate_a_node_is_not_read_and_others_are(version: int) -> None:
    """Wire's 120 packs a minute with a burst of 300; here 2 a second with a burst of 3."""
    assert (Limits().rate_per_minute, Limits().burst) == (120, 300)
    with listening(rate_per_minute=120, burst=3) as yard, Socket(yard.port, version) as node:
        node.enter()
        node.send(*[publish(version, number) for number in range(1, 6)])
        began_s = time.monotonic()
        yard.queue.wait(3)
        with Socket(yard.port, version) as south:
            south.enter(client_id="south", user=SOUTH_USER)
            assert south.ping()
        yard.queue.wait(5)
        assert time.monotonic() - began_s >= 0.8, "two packs more took a second of waiting"
        assert yard.count("rate_pauses") >= 2


def test_a_rate_of_nothing_lifts_the_bound() -> None:
    with listening(rate_per_minute=0, burst=3) as yard, Socket(yard.port) as node:
        node.enter()
        node.send(*[publish(4, number) for number in range(1, 301)], PING)
        assert node.hear() == Heard(0xD0, b"")
        assert len(yard.queue.offers) == 300


def test_a_new_connection_brings_no_new_burst() -> None:
    """The bound is the node's, whatever it connects as."""
    with listening(rate_per_minute=60, burst=3) as yard:
        for user, packs in (("saltmarsh-yard.north.1", 2), ("saltmarsh-yard.north.2", 3)):
            with Socket(yard.port) as node:
                node.enter(user=user, client_id=user)
                node.send(*[publish(4, number) for number in range(1, packs + 1)], PING)
                if packs == 2:
                    assert node.hear() == Heard(0xD0, b"")
                else:
                    assert node.is_quiet()
        assert len(yard.queue.offers) == 3


@BOTH
def test_a_store_that_fails_while_packs_wait(version: int) -> None:
    """3:[MQTT-4.8.0-2]: after 30 s closed without a PUBACK; 5.0 is told 0x83; newcomers find no room."""
    assert Limits().stall_s == 30.0
    with listening(stall_s=0.4) as yard, Socket(yard.port, version) as node:
        node.enter()
        node.send(publish(version, 1))
        began_s = time.monotonic()
        if version == 5:
            assert node.hear().farewell() == 0x83
        assert node.rest() == b""
        assert time.monotonic() - began_s >= 0.4
        with Socket(yard.port, version) as late:
            late.send(hello(version))
            assert late.hear().connack() == (0, 3 if version == 4 else 0x88)


@BOTH
def test_an_orderly_stop(version: int) -> None:
    """5: 3.14.2.1, 0x8B; both are closed, after the PUBACKs, and no will goes out."""
    with listening() as yard, Socket(yard.port, version) as node:
        node.enter(will=STATUS)
        node.send(publish(version, 1))
        yard.queue.wait(1)
        yard.listener.hold()
        yard.listener.taken(yard.queue.taken(None))
        yard.listener.stop()
        assert node.hear().identifier() == 1
        if version == 5:
            assert node.hear().farewell() == 0x8B
        assert node.rest() == b""
        assert len(yard.queue.offers) == 1


def test_a_client_s_maximum_packet_size_bounds_what_comes_down() -> None:
    """5:[MQTT-3.1.2-24], 5:[MQTT-3.1.2-25]: what is larger is left out as if it were sent."""
    with listening() as yard, Socket(yard.port, 5) as node:
        small = frame(0x32, text(NORTH + "ack"), b"\0\0\0", b"x" * 20)
        yard.directory.put(NORTH + "ack", b"x" * 20, 1)
        yard.directory.put(NORTH + "config", b"x" * 18, 1)  # its topic is three letters longer
        node.enter(properties=u32(0x27, len(small)))
        node.take("ack", "config")
        assert node.hear().message(5)[:2] == (NORTH + "ack", b"x" * 20)
        assert node.is_quiet()


def test_a_client_s_receive_maximum_bounds_what_is_in_flight() -> None:
    """5:[MQTT-3.3.4-9]: and 5:[MQTT-4.9.0-2], what waits goes on after its PUBACK."""
    with listening() as yard, Socket(yard.port, 5) as node:
        for leaf in ("ack", "config", "secret"):
            yard.directory.put(NORTH + leaf, b"{}", 1)
        node.enter(properties=u16(0x21, 1))
        node.take("ack", "config", "secret")
        seen = []
        for _ in range(3):
            topic, _, number = node.hear().message(5)
            seen.append(topic)
            assert node.is_quiet()
            node.send(frame(0x40, number.to_bytes(2, "big")))
        assert set(seen) == {NORTH + leaf for leaf in ("ack", "config", "secret")}


@BOTH
def test_no_answer_to_one_is_held_up_by_another(version: int) -> None:
    """A full line pauses all, and each goes on where it was: nothing sent meanwhile is lost."""
    with listening() as yard, Socket(yard.port, version) as north, Socket(yard.port, version) as south:
        north.enter()
        south.enter(client_id="south", user=SOUTH_USER)
        yard.queue.full = True
        north.send(publish(version, 1))
        wait_for(lambda: yard.count("queue_pauses") == 1, "the pause")
        south.send(subscribe(version, (SOUTH + "ack", 1)), PING)
        assert south.is_quiet()
        yard.queue.full = False
        assert south.hear().identifier() == 9
        assert south.hear() == Heard(0xD0, b"")
