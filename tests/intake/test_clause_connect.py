"""What a CONNECT is answered with, clause by clause; the bytes are made by hand.

Each case names the statement that it tests, of MQTT 3.1.1 (OASIS 2014-10-29) after `3:` and of MQTT 5.0
(OASIS 2019-03-07) after `5:`. A case without a number is a rule of this service that they leave open.
"""

import struct
from dataclasses import dataclass
from typing import Any

import pytest

from server.intake.limits import Limits
from tests.fakes.intake import listening, saltmarsh_yard, wait_for
from tests.intake.raw import (
    CLIENT,
    CONNACK,
    DISCONNECT,
    GONE,
    NORTH,
    PING,
    SOUTH,
    SOUTH_USER,
    Heard,
    Socket,
    block,
    frame,
    hello,
    publish,
    text,
    u16,
    u32,
)

BOTH = pytest.mark.parametrize("version", [4, 5], ids=["3", "5"])
STATUS = (NORTH + "status", GONE)
SILENT = None  # closed without a word


@dataclass(frozen=True, slots=True)
class Refused:
    """Bytes that open a connection, and the code of the CONNACK that ends it; None: not a byte comes."""

    clause: str
    version: int
    sent: bytes
    code: int | None


def _refusals() -> list[Refused]:
    """Rows of intake's table that are decided by the bytes of the first packet."""
    body = text("MQTT") + struct.pack(">BBH", 4, 2, 60) + text(CLIENT)
    return [
        Refused("3:[MQTT-3.1.0-1] PINGREQ first", 4, PING, SILENT),
        Refused("5:[MQTT-3.1.0-1] PUBLISH first", 5, publish(5, 1), SILENT),
        Refused("3:[MQTT-3.1.0-1] a page is asked for", 4, b"GET / HTTP/1.1\r\n\r\n", SILENT),
        Refused("3:[MQTT-3.1.2-1] MQIsdp", 4, hello(4, name=b"MQIsdp", level=3), SILENT),
        Refused("3:[MQTT-3.1.2-1] mqtt", 4, hello(4, name=b"mqtt"), SILENT),
        Refused("5:[MQTT-3.1.2-1] QTT", 5, hello(5, name=b"QTT"), SILENT),
        Refused("3:[MQTT-3.1.2-2] level 3", 4, hello(4, level=3), 0x01),
        Refused("5:[MQTT-3.1.2-2] level 6", 5, hello(5, level=6), 0x84),
        Refused("5:[MQTT-3.1.2-2] level 255", 5, hello(5, level=255), 0x84),
        Refused("3:[MQTT-3.1.2-3] reserved flag", 4, hello(4, flags=0x01), SILENT),
        Refused("5:[MQTT-3.1.2-3] reserved flag", 5, hello(5, flags=0x01), 0x81),
        Refused("3:[MQTT-3.1.2-13] QoS of no will", 4, hello(4, flags=0x08), SILENT),
        Refused("5:[MQTT-3.1.2-11] QoS of no will", 5, hello(5, flags=0x10), 0x81),
        Refused("3:[MQTT-3.1.2-15] retain of no will", 4, hello(4, flags=0x20), SILENT),
        Refused("5:[MQTT-3.1.2-13] retain of no will", 5, hello(5, flags=0x20), 0x81),
        Refused("3:[MQTT-3.1.2-14] will of QoS 3", 4, hello(4, will=STATUS, will_flags=0x18), SILENT),
        Refused("5:[MQTT-3.1.2-12] will of QoS 3", 5, hello(5, will=STATUS, will_flags=0x18), 0x81),
        Refused("3:[MQTT-3.1.4-1] bytes left over", 4, hello(4, tail=b"x"), SILENT),
        Refused("5:[MQTT-3.1.4-1] bytes left over", 5, hello(5, tail=b"x"), 0x81),
        Refused("3:[MQTT-3.1.4-1] bytes missing", 4, frame(0x10, body[:-1]), SILENT),
        Refused("3:[MQTT-3.1.2-11] no will behind its flag", 4, hello(4, flags=0x04), SILENT),
        Refused("5:[MQTT-3.1.2-9] no will behind its flag", 5, hello(5, flags=0x04), 0x81),
        Refused("3:[MQTT-3.1.2-22] password without a user", 4, hello(4, user=None), SILENT),
        Refused("5: password without a user is not enough here", 5, hello(5, user=None), 0x86),
        Refused("3:[MQTT-3.2.2-5] neither user nor password", 4, hello(4, user=None, password=None), 0x04),
        Refused("3:[MQTT-3.1.3-8] no client id, kept", 4, hello(4, client_id="", clean=False), 0x02),
        Refused("3:[MQTT-3.1.3-9] client id of 129 bytes", 4, hello(4, client_id="x" * 129), 0x02),
        Refused("5:[MQTT-3.1.3-8] client id of 129 bytes", 5, hello(5, client_id="é" * 65), 0x85),
        Refused("3:[MQTT-3.1.3-4] client id that is not UTF-8", 4, hello(4, client_id=b"\xff"), SILENT),
        Refused("5:[MQTT-3.1.3-4] client id that is not UTF-8", 5, hello(5, client_id=b"\xff"), 0x81),
        Refused("3:[MQTT-3.2.2-5] wrong password", 4, hello(4, password=b"wrong"), 0x04),
        Refused("5:[MQTT-3.1.4-2] wrong password", 5, hello(5, password=b"wrong"), 0x86),
        Refused("3:[MQTT-3.2.2-5] unknown user", 4, hello(4, user="nobody"), 0x04),
        Refused("5:[MQTT-3.1.4-2] unknown user", 5, hello(5, user="nobody"), 0x86),
        Refused("3:[MQTT-3.2.2-5] revoked", 4, hello(4, user="saltmarsh-yard.old.1"), 0x05),
        Refused("5:[MQTT-3.1.4-2] revoked", 5, hello(5, user="saltmarsh-yard.old.1"), 0x87),
        Refused("3: will of QoS 2", 4, hello(4, will=STATUS, will_flags=0x10), SILENT),
        Refused("5:[MQTT-3.2.2-12] will of QoS 2", 5, hello(5, will=STATUS, will_flags=0x10), 0x9B),
        Refused("3: will on readings", 4, hello(4, will=(NORTH + "readings", b"")), 0x05),
        Refused("5: will on readings", 5, hello(5, will=(NORTH + "readings", b"")), 0x87),
        Refused("3: will on another's status", 4, hello(4, will=(SOUTH + "status", b"")), 0x05),
        Refused("5: will on another's status", 5, hello(5, will=(SOUTH + "status", b"")), 0x87),
        Refused("5:[MQTT-4.12.0-1] another method", 5, hello(5, properties=b"\x15" + text("SCRAM")), 0x8C),
        Refused("5:[MQTT-3.1.2-26] receive maximum 0", 5, hello(5, properties=u16(0x21, 0)), 0x82),
        Refused("5:[MQTT-3.1.2-24] packet size 0", 5, hello(5, properties=u32(0x27, 0)), 0x82),
        Refused(
            "5:[MQTT-3.1.2-11] a property twice", 5, hello(5, properties=u32(0x11, 1) + u32(0x11, 1)), 0x82
        ),
        Refused("5:[MQTT-2.2.2-1] no property block", 5, frame(0x10, body[:6] + b"\x05" + body[7:10]), 0x81),
        Refused("5: a property of PUBLISH", 5, hello(5, properties=u16(0x23, 1)), 0x81),
    ]


@pytest.mark.parametrize("row", _refusals(), ids=lambda row: row.clause)
def test_who_is_not_let_in(row: Refused) -> None:
    """And nothing behind a refused CONNECT is read: 3:[MQTT-3.1.4-5], 5:[MQTT-3.1.4-6]."""
    with listening() as yard, Socket(yard.port, row.version) as client:
        client.send(row.sent, publish(row.version, 1), PING)
        if row.code is not None:
            assert client.hear().connack() == (0, row.code)  # 3:[MQTT-3.2.2-4]: no session with a refusal
        assert client.rest() == b""
        assert yard.queue.offers == []


@BOTH
def test_no_connect_in_time_closes(version: int) -> None:
    """3:[MQTT-3.1.0-1], 5:[MQTT-3.1.0-1]: a reasonable time is 10 s, of which half a CONNECT is no part."""
    assert Limits().connect_within_s == 10.0
    with listening(connect_within_s=0.1) as yard, Socket(yard.port) as silent, Socket(yard.port) as half:
        half.send(hello(version)[:-1])
        assert silent.rest() == b""
        assert half.rest() == b""


@BOTH
def test_a_second_connect(version: int) -> None:
    """3:[MQTT-3.1.0-2], 5:[MQTT-3.1.0-2]."""
    with listening() as yard, Socket(yard.port, version) as client:
        client.enter()
        client.send(hello(version))
        if version == 5:
            assert client.hear().farewell() == 0x82
        assert client.rest() == b""


def test_an_id_is_made_for_a_3_client_without_one() -> None:
    """3:[MQTT-3.1.3-6], 3:[MQTT-3.1.3-7]: and it is not another's, so both stay."""
    with listening() as yard, Socket(yard.port) as one, Socket(yard.port) as other:
        assert one.enter(client_id="").connack() == (0, 0)
        assert other.enter(client_id="").connack() == (0, 0)
        assert one.ping()
        assert other.ping()


@pytest.mark.parametrize("clean", [True, False])
def test_an_id_is_made_and_told_to_a_5_client_without_one(clean: bool) -> None:
    """5:[MQTT-3.1.3-6], 5:[MQTT-3.1.3-7]."""
    with listening() as yard, Socket(yard.port, 5) as one, Socket(yard.port, 5) as other:
        made = [
            client.enter(client_id="", clean=clean).properties(2)[0x12]  # Assigned Client Identifier
            for client in (one, other)
        ]
    assert made[0] != made[1]
    assert all(made)


def test_an_id_of_its_own_is_not_assigned() -> None:
    with listening() as yard, Socket(yard.port, 5) as client:
        assert 0x12 not in client.enter().properties(2)


@BOTH
def test_an_id_of_128_bytes_is_taken(version: int) -> None:
    """3:[MQTT-3.1.3-9] begins above it."""
    with listening() as yard, Socket(yard.port, version) as client:
        client.enter(client_id="é" * 64)


@BOTH
@pytest.mark.parametrize("is_here", [True, False], ids=["connected", "away"])
def test_an_id_held_by_another_credential(version: int, is_here: bool) -> None:
    """3:[MQTT-3.1.3-9], 5:[MQTT-3.1.3-8]."""
    kept: dict[str, Any] = {"clean": False, "properties": u32(0x11, 600)}
    with listening() as yard, Socket(yard.port, version) as north, Socket(yard.port, version) as south:
        north.enter(**kept)
        if not is_here:
            north.cut()
            wait_for(lambda: yard.count("connections") == 1, "north to be gone")
        south.send(hello(version, user=SOUTH_USER))
        assert south.hear().connack() == (0, 2 if version == 4 else 0x85)
        assert south.rest() == b""


@BOTH
def test_the_same_id_connects_again(version: int) -> None:
    """3:[MQTT-3.1.4-2], 5:[MQTT-3.1.4-3]: the old connection ends, and a 5.0 client is told 0x8E."""
    with listening() as yard, Socket(yard.port, version) as old, Socket(yard.port, version) as new:
        old.enter()
        new.enter()
        if version == 5:
            assert old.hear().farewell() == 0x8E
        assert old.rest() == b""
        assert new.ping()


@BOTH
def test_a_store_that_fails(version: int) -> None:
    """3:[MQTT-3.2.2-4], 3:[MQTT-3.2.2-5]; 5: 0x88, then closed."""
    with listening() as yard, Socket(yard.port) as node, Socket(yard.port, version) as late:
        node.enter()
        yard.queue.full = True
        node.send(publish(4, 1))
        wait_for(lambda: yard.count("queue_pauses"), "the line to be full")
        late.send(hello(version, client_id="late"))
        assert late.hear().connack() == (0, 3 if version == 4 else 0x88)
        assert late.rest() == b""


@BOTH
def test_one_connection_too_many(version: int) -> None:
    """3:[MQTT-3.2.2-5]; 5: 0x97."""
    with listening(connections=1) as yard, Socket(yard.port) as first, Socket(yard.port, version) as late:
        first.enter()
        late.send(hello(version, client_id="late"))
        assert late.hear().connack() == (0, 3 if version == 4 else 0x97)
        assert late.rest() == b""
        assert first.ping()


def test_what_a_5_client_is_told_of_our_bounds() -> None:
    """5: 3.2.2.3; [MQTT-3.2.2-9] Maximum QoS 1; [MQTT-3.2.2-22] keep-alive is its own when not told."""
    with listening() as yard, Socket(yard.port, 5) as client:
        connack = client.enter()
    assert connack.properties(2) == {
        0x24: 1,  # Maximum QoS
        0x21: 200,  # Receive Maximum
        0x27: 20480,  # Maximum Packet Size
        0x25: 1,  # Retain Available
        0x28: 1,  # Wildcard Subscription Available
        0x29: 0,  # Subscription Identifiers Available
        0x2A: 0,  # Shared Subscription Available
        0x22: 0,  # Topic Alias Maximum
    }
    assert len(connack.body) == 3 + connack.body[2]


def test_a_3_client_is_told_two_bytes() -> None:
    """3:[MQTT-3.2.0-1]: they are also the first that it hears, whatever came with its CONNECT."""
    with listening() as yard, Socket(yard.port) as client:
        client.send(hello(4), PING, PING)
        assert [client.hear() for _ in range(3)] == [Heard(CONNACK, b"\x00\x00"), *[Heard(0xD0, b"")] * 2]


def test_no_disconnect_before_the_connack() -> None:
    """5:[MQTT-3.14.0-1]: a refusal is a CONNACK, or silence; never a DISCONNECT."""
    with listening() as yard:
        for sent in (b"\x00\x00", publish(5, 1), hello(5, level=9), hello(5, flags=1), hello(5, user="x")):
            with Socket(yard.port, 5) as client:
                client.send(sent)
                assert client.rest()[:1] in (b"", bytes((CONNACK,)))


@pytest.mark.parametrize("keep_alive_s", [0, 1801, 65535])
def test_a_keep_alive_of_our_own_is_told(keep_alive_s: int) -> None:
    """5:[MQTT-3.2.2-21]: Server Keep Alive 1800; one of 1800 s and below is the client's."""
    with listening() as yard:
        with Socket(yard.port, 5) as client:
            assert client.enter(keep_alive_s=keep_alive_s).properties(2)[0x13] == 1800
        with Socket(yard.port, 5) as client:
            assert 0x13 not in client.enter(keep_alive_s=1800).properties(2)


@pytest.mark.parametrize(("asked_s", "told"), [(2_592_000, None), (2_592_001, 2_592_000)])
def test_a_session_is_kept_for_thirty_days_at_most(asked_s: int, told: int | None) -> None:
    """5: 3.2.2.3.2: another expiry than was asked for is told."""
    with listening() as yard, Socket(yard.port, 5) as client:
        assert client.enter(properties=u32(0x11, asked_s)).properties(2).get(0x11) == told


@pytest.mark.parametrize(("size", "is_whole"), [(64, True), (20, False)])
def test_a_reason_never_makes_a_packet_too_large(size: int, is_whole: bool) -> None:
    """5:[MQTT-3.1.2-24], 5:[MQTT-3.2.2-19], 5:[MQTT-3.14.2-3]: the words go, the code stays."""
    directory = saltmarsh_yard()
    with listening(directory) as yard:
        with Socket(yard.port, 5) as client:
            client.send(hello(5, user="nobody", properties=u32(0x27, size)))
            connack = client.hear()
            assert connack.connack() == (0, 0x86)
            assert (0x1F in connack.properties(2)) == is_whole
            assert client.rest() == b""
        with Socket(yard.port, 5) as client:
            client.enter(properties=u32(0x27, max(size, 40)))
            client.send(b"\xc1\x00")
            farewell = client.hear()
            assert farewell.farewell() == 0x81
            assert len(farewell.body) + 2 <= max(size, 40)
            assert farewell.first == DISCONNECT


def test_a_block_of_three_properties_is_read() -> None:
    """5:[MQTT-3.1.2-28] and others: what may be asked for is read, not refused."""
    wishes = u16(0x22, 10) + b"\x19\x01" + b"\x17\x00" + b"\x26" + text("a") + text("b")
    with listening() as yard, Socket(yard.port, 5) as client:
        client.enter(properties=wishes)
        assert block(5, wishes)[0] == len(wishes)
