"""What each packet of a client that was let in is answered with, clause by clause; bytes made by hand.

Each case names the statement that it tests, of MQTT 3.1.1 (OASIS 2014-10-29) after `3:` and of MQTT 5.0
(OASIS 2019-03-07) after `5:`. A case without a number is a rule of this service that they leave open.
"""

import struct
from dataclasses import dataclass

import pytest

from tests.fakes.intake import listening
from tests.intake.raw import (
    NORTH,
    PING,
    PUBACK,
    PUBLISH,
    SOUTH,
    SUBACK,
    UNSUBACK,
    Heard,
    Socket,
    block,
    frame,
    hello,
    puback,
    publish,
    subscribe,
    text,
    u32,
)

BOTH = pytest.mark.parametrize("version", [4, 5], ids=["3", "5"])
READINGS = text(NORTH + "readings")
ID = b"\x00\x01"


@dataclass(frozen=True, slots=True)
class Ended:
    """Bytes after which the connection is closed; `code`: what a 5.0 client is told first."""

    clause: str
    version: int
    sent: bytes
    code: int = 0


def _both(clauses: str, three: bytes, five: bytes, code: int) -> list[Ended]:
    """The same fault in both versions; `clauses`: that of 3.1.1, then ` | `, that of 5.0 and what it is."""
    old, new = clauses.split(" | ")
    words = new.partition("] ")[2] or new
    return [Ended(f"3:{old} {words}", 4, three), Ended(f"5:{new}", 5, five, code)]


def _one(clauses: str, sent: bytes, code: int) -> list[Ended]:
    return _both(clauses, sent, sent, code)


def _ended() -> list[Ended]:
    """Rows of intake's table that are decided by the bytes of one packet after CONNECT."""
    ack = text(NORTH + "ack")
    alias = frame(PUBLISH, text(""), block(5, b"\x23\x00\x01"), b"[]")
    rows = [
        *_one("[MQTT-2.2.2-2] | [MQTT-2.1.3-1] type 0", b"\x00\x00", 0x81),
        *_one("[MQTT-2.2.2-2] | [MQTT-2.1.3-1] PINGREQ with a flag", b"\xc1\x00", 0x81),
        *_one("[MQTT-2.2.2-2] | [MQTT-2.1.3-1] DISCONNECT with a flag", b"\xe8\x00", 0x81),
        *_one("[MQTT-3.8.1-1] | [MQTT-3.8.1-1] SUBSCRIBE without its flag", b"\x80\x02\x00\x01", 0x81),
        *_one("[MQTT-3.10.1-1] | [MQTT-3.10.1-1] UNSUBSCRIBE without its flag", b"\xa0\x02\x00\x01", 0x81),
        *_one("2.2.3 | [MQTT-1.5.5-1] a length of five bytes", b"\x30\xff\xff\xff\xff\x01", 0x81),
        *_one("2.2.3 | [MQTT-3.2.2-15] a million bytes announced", b"\x30\xc0\x84\x3d", 0x95),
        *_one("2.2.3 | [MQTT-3.2.2-15] one byte too many announced", b"\x30\xfe\x9f\x01", 0x95),
        *_one("3.5 | 3.5 PUBREC", frame(0x50, ID), 0x82),
        *_one("3.6 | 3.6 PUBREL", frame(0x62, ID), 0x82),
        *_one("3.7 | 3.7 PUBCOMP", frame(0x70, ID), 0x82),
        Ended("3:[MQTT-2.2.2-2] AUTH is no packet of 3.1.1", 4, b"\xf0\x00"),
        Ended("5:[MQTT-4.12.0-6] AUTH without a method", 5, b"\xf0\x00", 0x82),
        *_both("3.2 | 3.2 a CONNACK of a client", b"\x20\x02\0\0", b"\x20\x03\0\0\0", 0x82),
        *_one("3.13 | 3.13 a PINGRESP of a client", b"\xd0\x00", 0x82),
        *_one("[MQTT-3.3.1-4] | [MQTT-3.3.1-4] QoS 3", frame(0x36, READINGS, ID, b"\0"), 0x81),
        *_one("4.3.3 | [MQTT-3.2.2-11] QoS 2", frame(0x34, READINGS, ID, b"\0"), 0x9B),
        *_one("[MQTT-3.3.1-2] | [MQTT-3.3.1-2] DUP at QoS 0", frame(0x38, READINGS, b"\0"), 0x81),
        *_one("[MQTT-2.3.1-1] | [MQTT-2.2.1-3] identifier 0", frame(0x32, READINGS, b"\0\0\0"), 0x82),
        *_one("[MQTT-4.7.3-1] | [MQTT-4.7.3-1] no topic", frame(0x30, text(""), b"\0"), 0x90),
        *_one("[MQTT-3.3.2-2] | [MQTT-3.3.2-2] # in a topic", frame(0x30, text("a/#"), b"\0"), 0x90),
        *_one("[MQTT-3.3.2-2] | [MQTT-3.3.2-2] + in a topic", frame(0x30, text("a/+/b"), b"\0"), 0x90),
        *_one("[MQTT-1.5.3-1] | [MQTT-1.5.4-1] no UTF-8", frame(0x30, text(b"\xc3("), b"\0"), 0x81),
        *_one("[MQTT-1.5.3-1] | [MQTT-1.5.4-1] a surrogate", frame(0x30, text(b"\xed\xa0\x80"), b"\0"), 0x81),
        *_one("[MQTT-1.5.3-2] | [MQTT-1.5.4-2] U+0000", frame(0x30, text(b"a\0b"), b"\0"), 0x81),
        *_one("3.3.2 | 3.3.2 a topic that ends early", frame(0x30, b"\x00\x05abc"), 0x81),
        Ended("5:[MQTT-3.3.2-9] topic alias", 5, alias, 0x94),
        Ended("5:[MQTT-3.3.4-6] subscription id", 5, frame(0x30, READINGS, block(5, b"\x0b\x01")), 0x82),
        Ended("5:[MQTT-2.2.2-1] no property block", 5, frame(0x30, READINGS), 0x81),
        Ended("5: 2.2.2.2 an unknown property", 5, frame(0x30, READINGS, block(5, b"\x7f\x01")), 0x81),
        *_both(
            "[MQTT-3.8.3-3] | [MQTT-3.8.3-2] SUBSCRIBE without a filter", subscribe(4), subscribe(5), 0x82
        ),
        *_both(
            "[MQTT-3-8.3-4] | [MQTT-3.8.3-5] SUBSCRIBE of QoS 3",
            subscribe(4, ("a", 3)),
            subscribe(5, ("a", 3)),
            0x82,
        ),
        *_both(
            "[MQTT-3-8.3-4] | [MQTT-3.8.3-5] SUBSCRIBE with reserved bits",
            subscribe(4, ("a", 0x04)),
            subscribe(5, ("a", 0x40)),
            0x81,
        ),
        Ended("5:[MQTT-3.8.3-5] retain handling 3", 5, subscribe(5, ("a", 0x30)), 0x82),
        *_both(
            "[MQTT-3.8.3-1] | [MQTT-3.8.3-1] a filter that is not UTF-8",
            subscribe(4, (b"\xff", 0)),
            subscribe(5, (b"\xff", 0)),
            0x81,
        ),
        Ended("5: table 2-6 subscription id", 5, subscribe(5, ("a", 0), properties=b"\x0b\x01"), 0xA1),
        Ended("3:[MQTT-2.3.1-1] SUBSCRIBE 0", 4, frame(0x82, b"\0\0", ack, b"\0")),
        Ended("5:[MQTT-2.2.1-3] SUBSCRIBE 0", 5, frame(0x82, b"\0\0\0", ack, b"\0"), 0x82),
        *_both(
            "[MQTT-3.10.3-2] | [MQTT-3.10.3-2] UNSUBSCRIBE without a filter",
            frame(0xA2, ID),
            frame(0xA2, ID, b"\0"),
            0x82,
        ),
        *_both("3.4 | 3.4 PUBACK of nothing", frame(0x40, b"\0\0"), frame(0x40, b"\0\0"), 0x82),
        *_one("3.12 | 3.12 PINGREQ with a body", b"\xc0\x01\x00", 0x81),
        Ended("5:[MQTT-3.14.2-2] an expiry after none", 5, frame(0xE0, b"\0", block(5, u32(0x11, 9))), 0x82),
    ]
    assert len({row.clause for row in rows}) == len(rows)
    return rows


@pytest.mark.parametrize("row", _ended(), ids=lambda row: row.clause)
def test_what_ends_a_connection(row: Ended, caplog: pytest.LogCaptureFixture) -> None:
    """Once in, 5.0 is told why and closed (5:[MQTT-4.13.1-1], 5:[MQTT-4.13.2-1]); 3.1.1 has no word for it.

    The will goes out either way (3:[MQTT-3.1.2-8]), and the log names the node.
    """
    with listening() as yard, Socket(yard.port, row.version) as node:
        node.enter(will=(NORTH + "status", b"gone"))
        node.send(row.sent)
        if row.version == 5:
            assert node.hear().farewell() == row.code
        assert node.rest() == b""
        offers = yard.queue.wait(1)
        assert [(one.topic, one.payload) for one in offers] == [(NORTH + "status", b"gone")]
        assert (yard.count("protocol_errors"), yard.count("refused_topics")) == (1, 0)
    assert any("saltmarsh-yard/north" in line for line in caplog.messages)


def test_qos_2_of_3_is_explained_in_the_log(caplog: pytest.LogCaptureFixture) -> None:
    """3.1.1 has no word for it: who looks for the cause finds it in the log, with what to do."""
    with listening() as yard, Socket(yard.port) as node:
        node.enter()
        node.send(frame(0x34, READINGS, ID, b"[]"))
        assert node.rest() == b""
    said = [line for line in caplog.messages if "published with QoS 2" in line]
    assert len(said) == 1
    for words in ("saltmarsh-yard/north", "this service takes 0 and 1", "Set QoS 1"):
        assert words in said[0]


@BOTH
def test_a_packet_of_20480_bytes_is_taken(version: int) -> None:
    """5:[MQTT-3.2.2-15] begins above the Maximum Packet Size that was told."""
    empty = publish(version, 1, payload=b"")
    payload = b" " * (20480 - len(empty) - 2)  # the length takes three bytes instead of one
    with listening() as yard, Socket(yard.port, version) as node:
        node.enter()
        sent = publish(version, 1, payload=payload)
        assert len(sent) == 20480
        node.send(sent)
        assert yard.queue.wait(1)[0].payload == payload
        assert node.ping()


@BOTH
def test_qos_0_and_1_are_taken(version: int) -> None:
    """3:[MQTT-4.3.1-1], 3:[MQTT-4.3.2-2], 5:[MQTT-4.3.2-4]: QoS 1 is acknowledged by its identifier."""
    with listening() as yard, Socket(yard.port, version) as node:
        node.enter()
        node.send(publish(version), publish(version, 0xABCD), publish(version, 3, flags=0x08))
        yard.queue.wait(3)
        assert node.is_quiet(), "nothing is acknowledged before it is committed"
        yard.listener.taken(yard.queue.taken(None, None))
        assert [node.hear() for _ in range(2)] == [Heard(PUBACK, b"\xab\xcd"), Heard(PUBACK, b"\x00\x03")]
        assert node.ping()


@BOTH
def test_an_identifier_in_flight_is_a_second_publication(version: int) -> None:
    """3: 4.3.2.2, 5:[MQTT-4.3.2-5]: each delivery is a new one, and each is acknowledged."""
    with listening() as yard, Socket(yard.port, version) as node:
        node.enter()
        node.send(publish(version, 7), publish(version, 7, flags=0x08))
        yard.queue.wait(2)
        yard.listener.taken(yard.queue.taken(None, None))
        assert [node.hear().identifier() for _ in range(2)] == [7, 7]


@pytest.mark.parametrize(
    ("wants", "said"),
    [(b"", b"\x1f" + text("unit-mismatch")), (b"\x17\x01", b"\x1f" + text("unit-mismatch"))],
)
def test_a_refused_pack_is_named_to_5(wants: bytes, said: bytes) -> None:
    """5: 3.4.2.1: the reason 0x83 and the code in words."""
    with listening() as yard, Socket(yard.port, 5) as node:
        node.enter(properties=wants)
        node.send(publish(5, 4))
        yard.queue.wait(1)
        yard.listener.taken(yard.queue.taken("unit-mismatch"))
        assert node.hear() == Heard(PUBACK, b"\x00\x04\x83" + block(5, said))


@pytest.mark.parametrize(
    "wants", [b"\x17\x00", u32(0x27, 12)], ids=["5:[MQTT-3.1.2-29] asked", "5:[MQTT-3.4.2-2] room"]
)
def test_a_refused_pack_without_words(wants: bytes) -> None:
    with listening() as yard, Socket(yard.port, 5) as node:
        node.send(hello(5, properties=wants))
        node.hear()
        node.send(publish(5, 4))
        yard.queue.wait(1)
        yard.listener.taken(yard.queue.taken("unit-mismatch"))
        heard = node.hear()
        assert (heard.first, heard.body[:3], heard.body[3:]) in (
            (PUBACK, b"\x00\x04\x83", b""),
            (PUBACK, b"\x00\x04\x83", b"\x00"),
        )


def test_a_refused_pack_is_acknowledged_to_3() -> None:
    """3.1.1 has no other word; the pack is in quarantine, and would come again for ever."""
    with listening() as yard, Socket(yard.port) as node:
        node.enter()
        node.send(publish(4, 4))
        yard.queue.wait(1)
        yard.listener.taken(yard.queue.taken("unit-mismatch"))
        assert node.hear() == Heard(PUBACK, b"\x00\x04")


FOREIGN = [NORTH + "ack", NORTH + "config", NORTH + "secret", SOUTH + "readings", SOUTH + "status", "x"]


@pytest.mark.parametrize("topic", FOREIGN)
def test_a_topic_that_is_not_the_node_s(topic: str) -> None:
    """3:[MQTT-3.3.5-2]: acknowledge or close, and to acknowledge would be a lie. 5: PUBACK 0x87, it stays."""
    with listening() as yard, Socket(yard.port) as old, Socket(yard.port, 5) as new:
        old.enter(client_id="old")
        old.send(frame(0x32, text(topic), ID, b"[]"))
        assert old.rest() == b""
        new.enter(client_id="new")
        new.send(frame(0x32, text(topic), ID, b"\0", b"[]"))
        heard = new.hear()
        assert (heard.first, heard.body[:3]) == (PUBACK, ID + b"\x87")
        new.send(frame(0x30, text(topic), b"\0", b"[]"))  # QoS 0: there is nothing to answer with
        assert new.ping()
        assert yard.queue.offers == []


GRANTS = [
    ("3:[MQTT-3.8.4-6] 5:[MQTT-3.2.2-10] QoS 2 asked", NORTH + "ack", 2, 1, 1),
    ("3:[MQTT-3.8.4-6] QoS 1 asked", NORTH + "config", 1, 1, 1),
    ("3:[MQTT-3.8.4-6] QoS 0 asked", NORTH + "secret", 0, 0, 0),
    ("3:[MQTT-3.9.3-2] its own readings", NORTH + "readings", 1, 0x80, 0x87),
    ("3:[MQTT-3.9.3-2] another's ack", SOUTH + "ack", 1, 0x80, 0x87),
    ("3:[MQTT-3.9.3-2] everything", "#", 1, 0x80, 0x87),
    ("3:[MQTT-3.9.3-2] its own by a wildcard", NORTH + "+", 1, 0x80, 0x87),
    ("3:[MQTT-4.7.1-2] # within", "hangtrue/#/ack", 1, 0x80, 0x8F),
    ("3:[MQTT-4.7.1-2] # not alone", "hangtrue/v1#", 1, 0x80, 0x8F),
    ("3:[MQTT-4.7.1-3] + not alone", "hangtrue/v+/ack", 1, 0x80, 0x8F),
    ("3:[MQTT-4.7.3-1] empty", "", 1, 0x80, 0x8F),
    ("5:[MQTT-4.8.2-1] shared", "$share/all/" + NORTH + "ack", 1, 0x80, 0x9E),
]


@BOTH
@pytest.mark.parametrize("row", GRANTS, ids=lambda row: row[0])
def test_what_a_filter_is_granted(version: int, row: tuple[str, str, int, int, int]) -> None:
    """3:[MQTT-3.8.4-1, -2, -5], 5:[MQTT-3.8.4-1, -2, -6]: one SUBACK, its identifier, a code a filter."""
    _, wish, qos, three, five = row
    with listening() as yard, Socket(yard.port, version) as node:
        node.enter()
        node.send(subscribe(version, (NORTH + "ack", 0), (wish, qos), (NORTH + "ack", 1)))
        code = three if version == 4 else five
        assert node.hear() == Heard(SUBACK, b"\x00\x09" + block(version) + bytes((0, code, 1)))
        assert node.ping()


@BOTH
def test_what_is_forgotten(version: int) -> None:
    """3:[MQTT-3.10.4-4, -5, -6], 5:[MQTT-3.11.3-1]: UNSUBACK with its identifier, for a stranger as well."""
    with listening() as yard, Socket(yard.port, version) as node:
        node.enter()
        node.take("ack")
        node.send(frame(0xA2, b"\x00\x05", block(version), text(NORTH + "ack"), text(NORTH + "config")))
        codes = b"\x00\x11" if version == 5 else b""
        assert node.hear() == Heard(UNSUBACK, b"\x00\x05" + block(version) + codes)
        yard.listener.send([yard.directory.put(NORTH + "ack", b"{}", 1)])
        assert node.is_quiet()  # 3:[MQTT-3.10.4-2], 5:[MQTT-3.10.4-2]


@BOTH
def test_a_ping_is_answered_whatever_the_store_does(version: int) -> None:
    """3:[MQTT-3.12.4-1], 5:[MQTT-3.12.4-1]."""
    with listening() as yard, Socket(yard.port, version) as node:
        node.enter()
        node.send(publish(version, 1), publish(version, 2), PING)
        assert node.hear() == Heard(0xD0, b"")
        assert len(yard.queue.offers) == 2, "and nothing of them is committed yet"


@BOTH
def test_a_retained_reading_is_taken_and_not_kept(version: int, caplog: pytest.LogCaptureFixture) -> None:
    """Wire's own rule: stored once, warned of once a day, and nobody finds it retained."""
    with listening() as yard, Socket(yard.port, version) as node, Socket(yard.port, version) as watcher:
        node.enter()
        node.send(publish(version, 1, flags=1), publish(version, 2, flags=1), PING)
        node.hear()
        yard.queue.wait(2)
        yard.listener.taken(yard.queue.taken(None, None))
        assert [node.hear().identifier() for _ in range(2)] == [1, 2]
        watcher.enter(client_id="w", user="watcher")
        watcher.send(subscribe(version, ("hangtrue/v1/#", 1)))
        watcher.hear()
        assert watcher.is_quiet()
    assert sum("RETAIN" in line for line in caplog.messages) == 1


@BOTH
def test_what_a_client_acknowledges_out_of_turn_is_left(version: int) -> None:
    """A PUBACK of something that was never sent is no fault that 3.1.1 or 5.0 names."""
    with listening() as yard, Socket(yard.port, version) as node:
        node.enter()
        node.send(puback(77))
        assert node.ping()


def test_a_puback_of_5_with_a_reason_is_read() -> None:
    """5: 3.4.2: reason and properties of a client's PUBACK."""
    with listening() as yard, Socket(yard.port, 5) as node:
        yard.directory.put(NORTH + "config", b"{}", 1)
        node.enter()
        node.take("config")
        _, _, number = node.hear().message(5)
        node.send(frame(0x40, struct.pack(">HB", number, 0x10), block(5, b"\x1f" + text("why"))))
        assert node.ping()
        assert yard.count("protocol_errors") == 0
