"""MQTT 3.1.1 and 5.0: bytes to packets and back. Pure; `3:` and `5:` name the clauses of the two versions."""

from collections.abc import Callable
from dataclasses import replace

from server.intake.fields import PacketError, Reader, write_binary, write_text, write_varint
from server.intake.packets import (
    Connack,
    Connect,
    Disconnect,
    Filter,
    Packet,
    Pingreq,
    Pingresp,
    Puback,
    Publish,
    Suback,
    Subscribe,
    Unsuback,
    Unsubscribe,
    Will,
)
from server.intake.properties import NONE, Properties, read_properties, write_properties
from server.intake.reasons import Reason

_FLAGS = {1: 0, 2: 0, 4: 0, 5: 0, 6: 2, 7: 0, 8: 2, 9: 0, 10: 2, 11: 0, 12: 0, 13: 0, 14: 0, 15: 0}
_WILL, _USER, _PASSWORD = 0x04, 0x80, 0x40


def find_frame(data: bytes | bytearray, at: int, most_bytes: int) -> tuple[int, int, int] | None:
    """The next packet: its first byte, and where its body starts and ends; None while some is missing.

    Raises PacketError as soon as the head shows a fault: 0x81 wrong flags (3:2.2.2-2, 5:2.1.3-1) or a
    length of over four bytes, 0x95 a packet of over `most_bytes`, head and all.
    """
    have = len(data)
    if at >= have:
        return None
    first = data[at]
    if first >> 4 != 3 and _FLAGS.get(first >> 4) != first & 0x0F:
        raise PacketError("a packet type with its flags", f"0x{first:02X}")
    length = shift = 0
    for index in range(at + 1, min(at + 5, have)):
        length |= (data[index] & 0x7F) << shift
        if data[index] < 0x80:
            end = index + 1 + length
            if end - at > most_bytes:
                raise PacketError(f"at most {most_bytes} bytes", f"{end - at}", reason=Reason.TOO_LARGE)
            return (first, index + 1, end) if end <= have else None
        shift += 7
    if have >= at + 5:
        raise PacketError("a length of at most 4 bytes", "a fifth byte")
    return None


def read(first: int, data: bytes | bytearray, at: int, end: int, version: int) -> Packet:
    """The packet whose first byte is `first` and whose body is `data[at:end]`.

    `version` is that of the connection; a CONNECT brings its own. Raises PacketError, never anything else.
    """
    kind = first >> 4
    if kind == 3:
        return _read_publish(first, Reader(data, at, end), version)
    if kind not in _READ:
        raise PacketError("a packet of QoS 0 or 1", f"packet type {kind}", reason=Reason.PROTOCOL_ERROR)
    reader = Reader(data, at, end)
    packet = _READ[kind](reader, version)
    reader.done()
    return packet


def write(packet: Packet, version: int) -> bytes:
    """The bytes of a packet in that version. 3.1.1 leaves out what it has no place for."""
    return _WRITE[type(packet)](packet, version)


def write_within(packet: Connack | Puback | Disconnect, version: int, most_bytes: int) -> bytes:
    """The bytes of an answer, without its words where they would make it too large for the client.

    Nothing when it is too large without them (5:3.1.2-24, 5:3.2.2-19, 5:3.4.2-2, 5:3.14.2-3).
    """
    data = write(packet, version)
    if len(data) > most_bytes:
        data = write(replace(packet, properties=NONE), version)
    return data if len(data) <= most_bytes else b""


def write_puback(packet_id: int) -> bytes:
    """A plain PUBACK: the same four bytes in both versions."""
    return b"\x40\x02" + packet_id.to_bytes(2, "big")


def _framed(first: int, *parts: bytes) -> bytes:
    body = b"".join(parts)
    return bytes((first,)) + write_varint(len(body)) + body


def _packet_id(reader: Reader) -> int:
    if packet_id := reader.u16():
        return packet_id
    raise PacketError(
        "a packet identifier above 0", "0", reason=Reason.PROTOCOL_ERROR
    )  # 3:2.3.1-1, 5:2.2.1-3


def _block(reader: Reader, packet: str, version: int) -> Properties:
    return read_properties(reader, packet) if version == 5 else NONE


def _written_block(properties: Properties, version: int) -> bytes:
    return write_properties(properties) if version == 5 else b""


def _read_connect(reader: Reader, version: int) -> Connect:
    name = reader.binary()
    if name != b"MQTT":
        raise PacketError("the protocol name MQTT", repr(name)[:40], reason=Reason.UNSUPPORTED_VERSION)
    version = reader.byte()
    if version not in (4, 5):
        answer = 4 if version < 4 else 5
        raise PacketError(
            "level 4 or 5", f"{version}", reason=Reason.UNSUPPORTED_VERSION, version=answer
        )  # 3:3.1.2-2
    try:
        packet = _read_connect_body(reader, version)
        reader.done()
    except PacketError as error:
        error.version = version
        raise
    return packet


def _read_connect_body(reader: Reader, version: int) -> Connect:
    flags = reader.byte()
    _check_connect_flags(flags, version)
    keep_alive_s = reader.u16()
    properties = _block(reader, "connect", version)
    if "authentication_data" in properties and "authentication_method" not in properties:
        raise PacketError("a method beside authentication data", "none", reason=Reason.PROTOCOL_ERROR)
    return Connect(
        version=version,
        clean=bool(flags & 0x02),
        keep_alive_s=keep_alive_s,
        properties=properties,
        client_id=reader.text(),
        will=_read_will(reader, flags, version) if flags & _WILL else None,
        user=reader.text() if flags & _USER else None,
        password=reader.binary() if flags & _PASSWORD else None,
    )


def _check_connect_flags(flags: int, version: int) -> None:
    if flags & 0x01:
        raise PacketError("the reserved flag of CONNECT at 0", "1")  # 3:3.1.2-3, 5:3.1.2-3
    if not flags & _WILL and flags & 0x38:
        raise PacketError("no will bits without a will", f"flags 0x{flags:02X}")  # 3:3.1.2-11 ... -15
    if flags & 0x18 == 0x18:
        raise PacketError("a will of QoS 0 to 2", "3")  # 3:3.1.2-14
    if version == 4 and flags & _PASSWORD and not flags & _USER:
        raise PacketError("a user name beside a password", "none")  # 3:3.1.2-22


def _read_will(reader: Reader, flags: int, version: int) -> Will:
    properties = _block(reader, "will", version)
    topic = reader.text()
    return Will(
        topic=topic,
        payload=reader.binary(),
        qos=flags >> 3 & 3,
        retain=bool(flags & 0x20),
        properties=properties,
    )


def _write_connect(packet: Connect, version: int) -> bytes:
    flags = packet.clean << 1 | (packet.user is not None) << 7 | (packet.password is not None) << 6
    payload = [write_text(packet.client_id)]
    if will := packet.will:
        flags |= _WILL | will.qos << 3 | will.retain << 5
        payload += [
            _written_block(will.properties, version),
            write_text(will.topic),
            write_binary(will.payload),
        ]
    payload += [write_text(packet.user)] if packet.user is not None else []
    payload += [write_binary(packet.password)] if packet.password is not None else []
    head = write_text("MQTT") + bytes((version, flags)) + packet.keep_alive_s.to_bytes(2, "big")
    return _framed(0x10, head, _written_block(packet.properties, version), *payload)


def _read_connack(reader: Reader, version: int) -> Connack:
    present = reader.byte()
    if present > 1:
        raise PacketError("session present 0 or 1", f"{present}")
    code = reader.byte()
    return Connack(session_present=bool(present), code=code, properties=_block(reader, "connack", version))


def _write_connack(packet: Connack, version: int) -> bytes:
    head = bytes((packet.session_present, packet.code))
    return _framed(0x20, head, _written_block(packet.properties, version))


def _read_publish(first: int, reader: Reader, version: int) -> Publish:
    qos = first >> 1 & 3
    if qos == 3:
        raise PacketError("QoS 0, 1 or 2", "3")  # 3:3.3.1-4, 5:3.3.1-4
    if first & 0x08 and not qos:
        raise PacketError("no DUP at QoS 0", "DUP")  # 3:3.3.1-2, 5:3.3.1-2
    topic = reader.text()
    packet_id = _packet_id(reader) if qos else None
    properties = read_properties(reader, "publish") if version == 5 else NONE
    return Publish(
        topic=topic,
        payload=reader.rest(),
        qos=qos,
        retain=bool(first & 1),
        dup=bool(first & 8),
        packet_id=packet_id,
        properties=properties,
    )


def _write_publish(packet: Publish, version: int) -> bytes:
    first = 0x30 | packet.dup << 3 | packet.qos << 1 | packet.retain
    packet_id = packet.packet_id.to_bytes(2, "big") if packet.packet_id else b""
    block = _written_block(packet.properties, version)
    return _framed(first, write_text(packet.topic), packet_id, block, packet.payload)


def _read_puback(reader: Reader, version: int) -> Puback:
    packet_id = _packet_id(reader)
    code = reader.byte() if version == 5 and reader.left else 0
    properties = read_properties(reader, "puback") if version == 5 and reader.left else NONE
    return Puback(packet_id=packet_id, code=code, properties=properties)


def _write_puback(packet: Puback, version: int) -> bytes:
    if version == 4 or not (packet.code or packet.properties):
        return write_puback(packet.packet_id)
    body = packet.packet_id.to_bytes(2, "big") + bytes((packet.code,))
    return _framed(0x40, body, write_properties(packet.properties) if packet.properties else b"")


def _read_subscribe(reader: Reader, version: int) -> Subscribe:
    packet_id = _packet_id(reader)
    properties = _block(reader, "subscribe", version)
    filters: list[Filter] = []
    while reader.left or not filters:
        _need_filter(reader)
        topic = reader.text()
        filters.append(_filter(topic, reader.byte(), version))
    return Subscribe(packet_id=packet_id, filters=tuple(filters), properties=properties)


def _need_filter(reader: Reader) -> None:
    if not reader.left:
        raise PacketError("at least one filter", "none", reason=Reason.PROTOCOL_ERROR)  # 3:3.8.3-3, 5:3.8.3-2


def _filter(topic: str, options: int, version: int) -> Filter:
    if options & (0xC0 if version == 5 else 0xFC):
        raise PacketError("reserved bits at 0", f"options 0x{options:02X}")  # 3:3.8.3-4, 5:3.8.3-5
    if options & 3 == 3 or options & 0x30 == 0x30:
        raise PacketError("QoS and retain handling 0 to 2", f"0x{options:02X}", reason=Reason.PROTOCOL_ERROR)
    return Filter(
        topic=topic,
        qos=options & 3,
        no_local=bool(options & 4),
        retain_as_published=bool(options & 8),
        retain_handling=options >> 4,
    )


def _write_subscribe(packet: Subscribe, version: int) -> bytes:
    wishes = []
    for wish in packet.filters:
        options = wish.qos
        if version == 5:
            options |= wish.no_local << 2 | wish.retain_as_published << 3 | wish.retain_handling << 4
        wishes.append(write_text(wish.topic) + bytes((options,)))
    return _framed(0x82, _head(packet.packet_id, packet.properties, version), *wishes)


def _head(packet_id: int, properties: Properties, version: int) -> bytes:
    return packet_id.to_bytes(2, "big") + _written_block(properties, version)


def _read_suback(reader: Reader, version: int) -> Suback:
    packet_id = _packet_id(reader)
    properties = _block(reader, "suback", version)
    return Suback(packet_id=packet_id, properties=properties, codes=tuple(reader.rest()))


def _write_suback(packet: Suback, version: int) -> bytes:
    return _framed(0x90, _head(packet.packet_id, packet.properties, version), bytes(packet.codes))


def _read_unsubscribe(reader: Reader, version: int) -> Unsubscribe:
    packet_id = _packet_id(reader)
    properties = _block(reader, "unsubscribe", version)
    filters: list[str] = []
    while reader.left or not filters:
        _need_filter(reader)
        filters.append(reader.text())
    return Unsubscribe(packet_id=packet_id, filters=tuple(filters), properties=properties)


def _write_unsubscribe(packet: Unsubscribe, version: int) -> bytes:
    return _framed(
        0xA2, _head(packet.packet_id, packet.properties, version), *map(write_text, packet.filters)
    )


def _read_unsuback(reader: Reader, version: int) -> Unsuback:
    packet_id = _packet_id(reader)
    properties = _block(reader, "unsuback", version)
    codes = tuple(reader.rest()) if version == 5 else ()
    return Unsuback(packet_id=packet_id, properties=properties, codes=codes)


def _write_unsuback(packet: Unsuback, version: int) -> bytes:
    codes = bytes(packet.codes) if version == 5 else b""
    return _framed(0xB0, _head(packet.packet_id, packet.properties, version), codes)


def _read_disconnect(reader: Reader, version: int) -> Disconnect:
    code = reader.byte() if version == 5 and reader.left else 0
    properties = read_properties(reader, "disconnect") if version == 5 and reader.left else NONE
    return Disconnect(code=code, properties=properties)


def _write_disconnect(packet: Disconnect, version: int) -> bytes:
    if version == 4 or not (packet.code or packet.properties):
        return b"\xe0\x00"
    block = write_properties(packet.properties) if packet.properties else b""
    return _framed(0xE0, bytes((packet.code,)), block)


_READ: dict[int, Callable[[Reader, int], Packet]] = {
    1: _read_connect,
    2: _read_connack,
    4: _read_puback,
    8: _read_subscribe,
    9: _read_suback,
    10: _read_unsubscribe,
    11: _read_unsuback,
    12: lambda _reader, _version: Pingreq(),
    13: lambda _reader, _version: Pingresp(),
    14: _read_disconnect,
}
_WRITE: dict[type, Callable[..., bytes]] = {
    Connect: _write_connect,
    Connack: _write_connack,
    Publish: _write_publish,
    Puback: _write_puback,
    Subscribe: _write_subscribe,
    Suback: _write_suback,
    Unsubscribe: _write_unsubscribe,
    Unsuback: _write_unsuback,
    Pingreq: lambda _packet, _version: b"\xc0\x00",
    Pingresp: lambda _packet, _version: b"\xd0\x00",
    Disconnect: _write_disconnect,
}
