"""What MQTT packets are made of: whole numbers, text and bytes, read in place."""

from server.errors import HangtrueError
from server.intake.reasons import Reason

MOST_VARINT = 268_435_455


class PacketError(HangtrueError, ValueError):
    """Bytes that are no MQTT packet. `version` is that which a faulty CONNECT named: the answer's form."""

    def __init__(
        self, needed: str, came: str, *, reason: Reason = Reason.MALFORMED, version: int | None = None
    ) -> None:
        super().__init__("read an MQTT packet", needed, came)
        self.reason, self.version = reason, version


class Reader:
    """Reads one field after another from `data[at:end]`; every read beyond `end` raises PacketError."""

    __slots__ = ("at", "data", "end")

    def __init__(self, data: bytes | bytearray, at: int, end: int) -> None:
        self.data, self.at, self.end = data, at, end

    @property
    def left(self) -> int:
        """Bytes not read yet."""
        return self.end - self.at

    def byte(self) -> int:
        """One byte."""
        return self.data[self._step(1)]

    def u16(self) -> int:
        """Two bytes, big end first."""
        at = self._step(2)
        return self.data[at] << 8 | self.data[at + 1]

    def u32(self) -> int:
        """Four bytes, big end first."""
        at = self._step(4)
        return int.from_bytes(self.data[at : at + 4], "big")

    def varint(self) -> int:
        """A variable byte integer of at most four bytes (MQTT 5.0, 1.5.5)."""
        value = 0
        for shift in (0, 7, 14, 21):
            digit = self.byte()
            value |= (digit & 0x7F) << shift
            if digit < 0x80:
                return value
        raise PacketError("a variable byte integer of at most 4 bytes", "a fifth byte")

    def binary(self) -> bytes:
        """Bytes behind their two-byte length."""
        size = self.u16()
        at = self._step(size)
        return bytes(self.data[at : at + size])

    def text(self) -> str:
        """UTF-8 behind its two-byte length, without surrogates or U+0000 (3.1.1: 1.5.3; 5.0: 1.5.4)."""
        return checked_text(self.binary())

    def rest(self) -> bytes:
        """Everything that is left."""
        at = self._step(self.left)
        return bytes(self.data[at : self.end])

    def done(self) -> None:
        """Refuse bytes that are left over."""
        if self.at != self.end:
            raise PacketError("a packet that ends with its last field", f"{self.left} bytes more")

    def _step(self, size: int) -> int:
        at = self.at
        if at + size > self.end:
            raise PacketError(f"{size} bytes more", f"{self.left}")
        self.at = at + size
        return at


def checked_text(data: bytes | bytearray) -> str:
    """The text of UTF-8 bytes. Raises PacketError for other bytes, surrogates and U+0000."""
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        raise PacketError("text in UTF-8", "other bytes") from None
    if "\0" in text:
        raise PacketError("text without the character U+0000", "one of them")
    return text


def write_varint(value: int) -> bytes:
    """A variable byte integer in as few bytes as hold it."""
    out = bytearray()
    while True:
        value, digit = value >> 7, value & 0x7F
        if not value:
            out.append(digit)
            return bytes(out)
        out.append(digit | 0x80)


def write_binary(data: bytes) -> bytes:
    """Bytes behind their two-byte length."""
    return len(data).to_bytes(2, "big") + data


def write_text(text: str) -> bytes:
    """Text as UTF-8 behind its two-byte length."""
    return write_binary(text.encode("utf-8"))
