"""MQTT bytes put together by hand from the text of the two standards, and a bare socket.

Nothing here uses the codec under test. Sources: MQTT 3.1.1 (OASIS 2014-10-29) sections 2 and 3; MQTT 5.0
(OASIS 2019-03-07) sections 2 and 3, property forms from its table 2-4.
"""

import socket
import struct
import time
from contextlib import suppress
from dataclasses import dataclass, replace
from types import TracebackType
from typing import Any, Self

DEADLINE_S, QUIET_S = 5.0, 0.12
USER, SOUTH_USER, PASSWORD = "saltmarsh-yard.north.1", "saltmarsh-yard.south.1", b"4C7Q9MZK2T0VXA8B"
CLIENT = "htae3d2911c36606ac8ea3"
NORTH, SOUTH = "hangtrue/v1/saltmarsh-yard/north/", "hangtrue/v1/saltmarsh-yard/south/"
GONE = b'{"st":"gone"}'
PING, PONG = b"\xc0\x00", b"\xd0\x00"
CONNACK, PUBLISH, PUBACK, SUBACK, UNSUBACK, DISCONNECT = 0x20, 0x30, 0x40, 0x90, 0xB0, 0xE0
FORMS = {
    0x11: ">I",
    0x12: "text",
    0x13: ">H",
    0x1F: "text",
    0x21: ">H",
    0x22: ">H",
    0x24: ">B",
    0x25: ">B",
    0x27: ">I",
    0x28: ">B",
    0x29: ">B",
    0x2A: ">B",
}  # of the properties that a server sends
Properties = dict[int, int | str]


def length(size: int) -> bytes:
    """A remaining length (3: 2.2.3; 5: 1.5.5)."""
    out = b""
    while True:
        size, digit = divmod(size, 128)
        out += struct.pack("B", digit | (0x80 if size else 0))
        if not size:
            return out


def frame(first: int, *parts: bytes) -> bytes:
    """A control packet: its first byte, its length, its parts."""
    body = b"".join(parts)
    return struct.pack("B", first) + length(len(body)) + body


def text(value: str | bytes) -> bytes:
    """A string behind its length (3: 1.5.3; 5: 1.5.4)."""
    data = value if isinstance(value, bytes) else value.encode("utf-8")
    return struct.pack(">H", len(data)) + data


def block(version: int, properties: bytes = b"") -> bytes:
    """A property block of 5.0; nothing in 3.1.1."""
    return length(len(properties)) + properties if version == 5 else b""


def u16(code: int, value: int) -> bytes:
    """A property of two bytes."""
    return struct.pack(">BH", code, value)


def u32(code: int, value: int) -> bytes:
    """A property of four bytes."""
    return struct.pack(">BI", code, value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hello:
    """A CONNECT; `flags`, `tail` and the protocol's name and level may be made wrong.

    `will`: topic and payload. `properties` and `will_properties`: of 5.0, without their length.
    """

    version: int = 4
    client_id: str | bytes = CLIENT
    clean: bool = True
    keep_alive_s: int = 60
    user: str | None = USER
    password: bytes | None = PASSWORD
    will: tuple[str, bytes] | None = None
    will_flags: int = 0x28  # QoS 1, retained
    properties: bytes = b""
    will_properties: bytes = b""
    name: bytes = b"MQTT"
    level: int | None = None
    flags: int = 0
    tail: bytes = b""

    def packet(self) -> bytes:
        """The bytes."""
        flags = self.flags | (0x02 if self.clean else 0) | (0x80 if self.user is not None else 0)
        flags |= (0x40 if self.password is not None else 0) | (0x04 | self.will_flags if self.will else 0)
        level = self.version if self.level is None else self.level
        parts = [text(self.name), struct.pack(">BBH", level, flags, self.keep_alive_s)]
        parts += [block(self.version, self.properties), text(self.client_id)]
        if self.will:
            parts += [block(self.version, self.will_properties), text(self.will[0]), text(self.will[1])]
        parts += [text(each) for each in (self.user, self.password) if each is not None]
        return frame(0x10, *parts, self.tail)


def hello(version: int, **changes: Any) -> bytes:
    """CONNECT as north's node, with what is changed."""
    return replace(Hello(version=version), **changes).packet()


def publish(
    version: int, number: int = 0, *, leaf: str = "readings", payload: bytes = b"[]", flags: int = 0
) -> bytes:
    """PUBLISH on a topic of north's node: with a packet identifier at QoS 1, without at QoS 0."""
    identifier = struct.pack(">H", number) if number else b""
    first = PUBLISH | flags | (0x02 if number else 0)
    return frame(first, text(NORTH + leaf), identifier, block(version), payload)


def subscribe(version: int, *filters: tuple[str | bytes, int], properties: bytes = b"") -> bytes:
    """SUBSCRIBE with packet identifier 9: filters with their options."""
    wishes = [text(each) + struct.pack("B", options) for each, options in filters]
    return frame(0x82, b"\x00\x09", block(version, properties), *wishes)


def puback(number: int) -> bytes:
    """PUBACK."""
    return frame(PUBACK, struct.pack(">H", number))


@dataclass(frozen=True, slots=True)
class Heard:
    """A packet of the server: its first byte and its body."""

    first: int
    body: bytes

    @property
    def kind(self) -> int:
        """Its type, in the high half."""
        return self.first & 0xF0

    def connack(self) -> tuple[int, int]:
        """Session present and code (3: 3.2.2; 5: 3.2.2)."""
        assert self.first == CONNACK, self
        return self.body[0], self.body[1]

    def farewell(self) -> int:
        """The reason of a DISCONNECT (5: 3.14.2.1)."""
        assert self.first == DISCONNECT, self
        return self.body[0] if self.body else 0

    def identifier(self) -> int:
        """The packet identifier of a PUBACK, SUBACK or UNSUBACK."""
        return int(struct.unpack_from(">H", self.body)[0])

    def message(self, version: int) -> tuple[str, bytes, int]:
        """Topic, payload and packet identifier (0 at QoS 0) of a PUBLISH."""
        assert self.kind == PUBLISH, self
        (size,) = struct.unpack_from(">H", self.body)
        at, number = 2 + size, 0
        if self.first & 0x06:
            (number,) = struct.unpack_from(">H", self.body, at)
            at += 2
        if version == 5:
            assert self.body[at] == 0, "no properties are sent"
            at += 1
        return self.body[2 : 2 + size].decode(), self.body[at:], number

    def properties(self, at: int) -> Properties:
        """The property block that begins at a place of the body."""
        found: Properties = {}
        end, at = at + 1 + self.body[at], at + 1
        assert end <= len(self.body)
        while at < end:
            code, at = self.body[at], at + 1
            assert code not in found, "a property came twice"
            if FORMS[code] == "text":
                (size,) = struct.unpack_from(">H", self.body, at)
                found[code], at = self.body[at + 2 : at + 2 + size].decode(), at + 2 + size
            else:
                (found[code],) = struct.unpack_from(FORMS[code], self.body, at)
                at += struct.calcsize(FORMS[code])
        return found


class Socket:
    """A bare connection to the listener; it answers nothing by itself."""

    def __init__(self, port: int, version: int = 4, *, source: str = "127.0.0.1") -> None:
        self.version, self._data = version, b""
        self._socket = socket.create_connection(
            ("127.0.0.1", port), timeout=DEADLINE_S, source_address=(source, 0)
        )
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._socket.close()

    def cut(self) -> None:
        """Close without a farewell."""
        self._socket.close()

    def finish(self) -> None:
        """Say that nothing more is sent, and go on reading."""
        self._socket.shutdown(socket.SHUT_WR)

    def send(self, *data: bytes) -> None:
        """Send bytes in one write."""
        self._socket.sendall(b"".join(data))

    def send_slowly(self, data: bytes) -> None:
        """Each byte in a segment of its own."""
        for at in range(len(data)):
            self._socket.sendall(data[at : at + 1])

    def hear(self) -> Heard:
        """The next packet of the server."""
        while (cut := _whole(self._data)) is None:
            data = self._socket.recv(65536)
            assert data, f"closed, with {self._data!r} unread"
            self._data += data
        (start, end), first = cut, self._data[0]
        heard = Heard(first, self._data[start:end])
        self._data = self._data[end:]
        return heard

    def enter(self, **changes: Any) -> Heard:
        """Connect and be let in; the CONNACK."""
        self.send(hello(self.version, **changes))
        heard = self.hear()
        assert heard.connack()[1] == 0, heard
        return heard

    def take(self, *leaves: str, qos: int = 1) -> Heard:
        """Subscribe to leaves of north's node; the SUBACK."""
        self.send(subscribe(self.version, *[(NORTH + leaf, qos) for leaf in leaves]))
        heard = self.hear()
        assert heard.kind == SUBACK, heard
        return heard

    def ping(self) -> bool:
        """Whether a PINGREQ is answered, and by nothing else."""
        self.send(PING)
        return self.hear() == Heard(0xD0, b"")

    def rest(self) -> bytes:
        """All bytes that still come until the other side closes."""
        deadline = time.monotonic() + DEADLINE_S
        with suppress(ConnectionResetError):
            while data := self._socket.recv(65536):
                self._data += data
                assert time.monotonic() < deadline, "it does not close"
        rest, self._data = self._data, b""
        return rest

    def is_quiet(self, wait_s: float = QUIET_S) -> bool:
        """Whether nothing comes for a moment, and the connection stays."""
        self._socket.settimeout(wait_s)
        try:
            self._data += self._socket.recv(1)
        except TimeoutError:
            return not self._data
        finally:
            self._socket.settimeout(DEADLINE_S)
        return False

    def fill(self, data: bytes, most_bytes: int) -> int:
        """Send the same bytes until nobody takes them for a moment, or so many went; how many went."""
        sent = 0
        self._socket.settimeout(QUIET_S)
        try:
            while sent < most_bytes:
                sent += self._socket.send(data)
        except (TimeoutError, ConnectionError):
            return sent
        finally:
            self._socket.settimeout(DEADLINE_S)
        return sent


def _whole(data: bytes) -> tuple[int, int] | None:
    """Where the body of the first packet starts and ends, if all of it is there."""
    size = shift = 0
    for at in range(1, min(len(data), 5)):
        size |= (data[at] & 0x7F) << shift
        if data[at] < 0x80:
            return (at + 1, at + 1 + size) if len(data) >= at + 1 + size else None
        shift += 7
    return None
