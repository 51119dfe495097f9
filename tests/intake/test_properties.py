"""Property blocks: each form, and what must be refused."""

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from server.intake.fields import PacketError, Reader
from server.intake.properties import NONE, Value, names_of, number, read_properties, write_properties
from server.intake.reasons import Reason

KNOWN: list[tuple[str, str, dict[str, Value]]] = [
    ("00", "publish", {}),
    ("02 01 01", "publish", {"payload_format": 1}),
    ("05 02 0000003C", "publish", {"message_expiry_s": 60}),
    ("03 0B 8001", "subscribe", {"subscription_id": 128}),
    ("05 03 0002 6869", "will", {"content_type": "hi"}),
    ("04 09 0001 FF", "will", {"correlation": b"\xff"}),
    ("0E 26 0001 61 0001 62 26 0001 61 0001 63", "puback", {"user": (("a", "b"), ("a", "c"))}),
]
FAULTS = [
    ("02 7F 00", "connect", Reason.MALFORMED, "unknown"),
    ("02 24 01", "connect", Reason.MALFORMED, "of another packet"),
    ("05 21", "connect", Reason.MALFORMED, "longer than the packet"),
    ("02 21 00", "connect", Reason.MALFORMED, "value cut off"),
    ("03 21 0000", "connect", Reason.PROTOCOL_ERROR, "5:3.1.2.11.3 receive maximum 0"),
    ("05 27 00000000", "connect", Reason.PROTOCOL_ERROR, "5:3.1.2.11.4 maximum packet size 0"),
    ("02 17 02", "connect", Reason.PROTOCOL_ERROR, "5:3.1.2.11.7 request problem 2"),
    ("06 21 0001 21 0002", "connect", Reason.PROTOCOL_ERROR, "twice"),
]


@pytest.mark.parametrize(("text", "packet", "values"), KNOWN)
def test_blocks(text: str, packet: str, values: dict[str, Value]) -> None:
    data = bytes.fromhex(text)
    reader = Reader(data, 0, len(data))
    assert read_properties(reader, packet) == values
    assert reader.left == 0
    assert write_properties(values) == data


@pytest.mark.parametrize(("text", "packet", "reason", "what"), FAULTS, ids=[row[3] for row in FAULTS])
def test_faults(text: str, packet: str, reason: Reason, what: str) -> None:
    data = bytes.fromhex(text)
    with pytest.raises(PacketError) as caught:
        read_properties(Reader(data, 0, len(data)), packet)
    assert caught.value.reason == reason


def test_number_of_a_property() -> None:
    assert number(NONE, "receive_maximum", 65535) == 65535
    assert number({"receive_maximum": 4}, "receive_maximum", 65535) == 4


SAMPLES: dict[str, tuple[str, Value]] = {
    "byte": ("Byte", 1),
    "u16": ("Two Byte Integer", 1),
    "u32": ("Four Byte Integer", 1),
    "varint": ("Variable Byte Integer", 1),
    "text": ("UTF-8 Encoded String", "a"),
    "binary": ("Binary Data", b"a"),
    "pair": ("UTF-8 String Pair", (("a", "b"),)),
}
PACKETS = ["connect", "connack", "publish", "puback", "subscribe", "suback", "unsubscribe", "unsuback"]


@pytest.mark.parametrize("packet", [*PACKETS, "disconnect", "will"])
def test_the_table_is_that_of_another_implementation(packet: str) -> None:
    """Source: the table in paho-mqtt 2 (paho/mqtt/properties.py), read by others from MQTT 5.0."""
    kind = getattr(PacketTypes, "WILLMESSAGE" if packet == "will" else packet.upper())
    paho = Properties(kind)  # type: ignore[no-untyped-call]  # paho has no types here
    theirs = {code: paho.types[form] for code, (form, where) in paho.properties.items() if kind in where}
    ours = {}
    for name, form in names_of(packet).items():
        words, value = SAMPLES[form]
        ours[write_properties({name: value})[1]] = words
    assert ours == theirs
