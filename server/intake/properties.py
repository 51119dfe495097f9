"""The property blocks of MQTT 5.0, as mappings of names to plain values."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from server.intake.fields import PacketError, Reader, write_binary, write_text, write_varint
from server.intake.reasons import Reason

Pairs = tuple[tuple[str, str], ...]
Value = int | str | bytes | Pairs
Properties = Mapping[str, Value]

NONE: Properties = {}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    name: str
    form: str
    packets: frozenset[str]
    low: int = 0
    high: int | None = None


def _kind(name: str, form: str, packets: str, *, low: int = 0, high: int | None = None) -> _Kind:
    return _Kind(name=name, form=form, packets=frozenset(packets.split()), low=low, high=high)


_MESSAGE = "publish will"
_ALL = "connect connack publish will puback subscribe suback unsubscribe unsuback disconnect"

# Source: MQTT 5.0 (OASIS 2019-03-07), table 2-4; bounds from the section of each packet.
_KINDS = {
    0x01: _kind("payload_format", "byte", _MESSAGE, high=1),
    0x02: _kind("message_expiry_s", "u32", _MESSAGE),
    0x03: _kind("content_type", "text", _MESSAGE),
    0x08: _kind("response_topic", "text", _MESSAGE),
    0x09: _kind("correlation", "binary", _MESSAGE),
    0x0B: _kind("subscription_id", "varint", "publish subscribe", low=1),
    0x11: _kind("session_expiry_s", "u32", "connect connack disconnect"),
    0x12: _kind("assigned_client_id", "text", "connack"),
    0x13: _kind("server_keep_alive_s", "u16", "connack"),
    0x15: _kind("authentication_method", "text", "connect connack"),
    0x16: _kind("authentication_data", "binary", "connect connack"),
    0x17: _kind("request_problem", "byte", "connect", high=1),
    0x18: _kind("will_delay_s", "u32", "will"),
    0x19: _kind("request_response", "byte", "connect", high=1),
    0x1A: _kind("response_information", "text", "connack"),
    0x1C: _kind("server_reference", "text", "connack disconnect"),
    0x1F: _kind("reason_string", "text", "connack puback suback unsuback disconnect"),
    0x21: _kind("receive_maximum", "u16", "connect connack", low=1),
    0x22: _kind("topic_alias_maximum", "u16", "connect connack"),
    0x23: _kind("topic_alias", "u16", "publish"),
    0x24: _kind("maximum_qos", "byte", "connack", high=1),
    0x25: _kind("retain_available", "byte", "connack", high=1),
    0x26: _kind("user", "pair", _ALL),
    0x27: _kind("maximum_packet_bytes", "u32", "connect connack", low=1),
    0x28: _kind("wildcard_available", "byte", "connack", high=1),
    0x29: _kind("subscription_id_available", "byte", "connack", high=1),
    0x2A: _kind("shared_available", "byte", "connack", high=1),
}
_CODES = {kind.name: code for code, kind in _KINDS.items()}
_READ: dict[str, Callable[[Reader], Value]] = {
    "byte": Reader.byte,
    "u16": Reader.u16,
    "u32": Reader.u32,
    "varint": Reader.varint,
    "text": Reader.text,
    "binary": Reader.binary,
    "pair": lambda reader: ((reader.text(), reader.text()),),
}


def read_properties(reader: Reader, packet: str) -> Properties:
    """The property block at the reader, of a packet of that name (`publish`, `will`, ...).

    Raises PacketError: 0x81 for an unknown or misplaced property, 0x82 for one sent twice or out of bounds.
    """
    size = reader.varint()
    if not size:
        return NONE
    if size > reader.left:
        raise PacketError(f"{size} bytes of properties", f"{reader.left}")
    block = Reader(reader.data, reader.at, reader.at + size)
    reader.at += size
    values: dict[str, Value] = {}
    while block.left:
        _read_one(block, packet, values)
    return values


def write_properties(properties: Properties) -> bytes:
    """The property block of a mapping, with its length before it."""
    body = b"".join(_written(name, value) for name, value in properties.items())
    return write_varint(len(body)) + body


def no_properties() -> Properties:
    """The empty mapping that all packets without properties share."""
    return NONE


def names_of(packet: str) -> Mapping[str, str]:
    """The form (`byte`, `text` ...) of each property that a packet of that name may carry."""
    return {kind.name: kind.form for kind in _KINDS.values() if packet in kind.packets}


def number(properties: Properties, name: str, default: int) -> int:
    """A property that is a whole number, or the default."""
    value = properties.get(name, default)
    return value if isinstance(value, int) else default


def _read_one(block: Reader, packet: str, values: dict[str, Value]) -> None:
    code = block.varint()
    kind = _KINDS.get(code)
    if kind is None or packet not in kind.packets:
        raise PacketError(f"properties of {packet.upper()}", f"property 0x{code:02X}")
    value = _READ[kind.form](block)
    if isinstance(value, int) and not kind.low <= value <= (kind.high or value):
        raise PacketError(f"a {kind.name} that is allowed", f"{value}", reason=Reason.PROTOCOL_ERROR)
    if isinstance(value, tuple):
        before = values.get(kind.name, ())
        values[kind.name] = (*before, *value) if isinstance(before, tuple) else value
    elif kind.name in values:
        raise PacketError(f"one {kind.name}", "two", reason=Reason.PROTOCOL_ERROR)
    else:
        values[kind.name] = value


def _written(name: str, value: Value) -> bytes:
    code = _CODES[name]
    head = bytes((code,))
    if isinstance(value, tuple):
        return b"".join(head + write_text(key) + write_text(text) for key, text in value)
    return head + _body(_KINDS[code].form, value)


def _body(form: str, value: int | str | bytes) -> bytes:
    if isinstance(value, str):
        return write_text(value)
    if isinstance(value, bytes):
        return write_binary(value)
    if form == "varint":
        return write_varint(value)
    return value.to_bytes({"byte": 1, "u16": 2, "u32": 4}[form], "big")
