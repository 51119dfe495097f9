"""A publisher on a raw socket that remembers what was acknowledged, and what became of it in the store."""

import select
import socket
import struct
import threading
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from sqlalchemy import Engine, text

from sensors.message.pack import pack_bytes
from tests.journeys.yard import SITE

NODE, JOURNAL = "north", "7c1e90ab"
BASE, TOPIC = f"{SITE}/{NODE}/", f"hangtrue/v1/{SITE}/{NODE}/readings".encode()
CHANNELS = (
    ("lock-hinge-top", "/", 6),
    ("lock-hinge-bottom", "/", 6),
    ("head-latch", "/", 6),
    ("latch-top", "/", 6),
    ("sill-latch", "/", 6),
    ("air-temp", "Cel", 2),
    ("air-rh", "%RH", 2),
    ("battery", "V", 3),
)
MIDDLES = (412000, 413000, 501000, 498000, 470000, 1500, 6500, 2900)
START_MS, STEP_MS = 1_650_000_000_000, 60_000
CONNACK, PUBACK, PUBACK_BYTES, IDS = b"\x20\x02\x00\x00", 0x40, 4, 65_535
Row = tuple[str, int, float]


def live_pack(seq: int) -> bytes:
    """A live pack: instant `seq` of eight channels."""
    rows = [(name, unit, whole, places) for (name, unit, places), whole in _wholes(seq)]
    instant = (START_MS + seq * STEP_MS, rows)
    return pack_bytes(base_name=BASE, journal=JOURNAL, first_seq=seq, clock="utc", instants=[instant])


def readings_of(seq: int) -> list[Row]:
    """What a store must hold of instant `seq`: channel, ms, value."""
    return [
        (BASE + name, START_MS + seq * STEP_MS, whole / 10**places)
        for (name, _, places), whole in _wholes(seq)
    ]


def _wholes(seq: int) -> Iterator[tuple[tuple[str, str, int], int]]:
    wobble = (seq * 7919) % 1000  # neighbours differ, so that a value in another's place shows
    return ((channel, middle + wobble) for channel, middle in zip(CHANNELS, MIDDLES, strict=True))


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What a store holds against what was sent and acknowledged."""

    lost: int = 0
    wrong: int = 0
    strange: int = 0
    readings: int = 0


def compare(engine: Engine, *, acknowledged: Iterable[int], sent: Iterable[int]) -> Found:
    """Count acknowledged readings that are not stored or with another value, and readings nobody sent."""
    sql = "SELECT c.name, r.t_ms, r.value FROM reading r JOIN channel c ON c.id = r.channel_id"
    with engine.connect() as connection:
        rows = connection.execute(text(sql)).all()
    stored = {(name, ms): value for name, ms, value in rows}
    assert len(stored) == len(rows), "a reading is stored twice"
    lost = wrong = 0
    for name, ms, value in (row for seq in acknowledged for row in readings_of(seq)):
        came = stored.get((name, ms))
        lost += came is None
        wrong += came is not None and came != value
    known = {(name, ms): value for seq in sent for name, ms, value in readings_of(seq)}
    strange = sum(known.get(key) != value for key, value in stored.items())
    return Found(lost=lost, wrong=wrong, strange=strange, readings=len(rows))


@dataclass(slots=True)
class Sender:
    """Publishes instants from `upcoming` on, at most `window` of them unacknowledged.

    `flying` is what went out and was not acknowledged, in order; after a cut it goes again first. While
    `holding` is set nothing is sent or read, so that acknowledgements gather in the socket.
    """

    user: str
    password: str
    window: int
    upcoming: int = 1
    acknowledged: set[int] = field(default_factory=set)
    flying: dict[int, int] = field(default_factory=dict)
    last_ack_s: float = 0.0
    holding: threading.Event = field(default_factory=threading.Event)
    _left: bytes = b""
    _number: int = 0

    @contextmanager
    def connected(self, port: int) -> Iterator[socket.socket]:
        """A connection of MQTT 3.1.1 that was let in; packet numbers begin anew."""
        with socket.create_connection(("127.0.0.1", port), timeout=20) as connection:
            connection.sendall(_connect(self.user, self.password))
            answer = connection.recv(len(CONNACK))
            assert answer == CONNACK, answer.hex()
            self._left, self._number = b"", 0
            again, self.flying = list(self.flying.values()), {}
            connection.sendall(b"".join(self._publish(seq) for seq in again))
            yield connection

    def send_until_cut(self, connection: socket.socket, *, within_s: float = 20.0) -> None:
        """Publish and take acknowledgements until the other side is gone; then what still lies in the socket.

        An acknowledgement that was sent is one that was given, though it is read after the end.
        """
        deadline, is_cut = time.monotonic() + within_s, False
        while time.monotonic() < deadline:
            while self.holding.is_set() and time.monotonic() < deadline:
                threading.Event().wait(0.0005)
            if not is_cut:
                is_cut = not self._send_more(connection)
            if not select.select([connection], [], [], 2.0)[0]:
                assert not is_cut, "nothing is left to read, and no end either"
                continue
            if self.holding.is_set():
                continue
            try:
                came = connection.recv(1 << 16)
            except ConnectionResetError:
                return
            if not came:
                return
            self._take(came)
        raise AssertionError(f"the service was not gone after {within_s:g} s")

    def step(self, connection: socket.socket, *, is_paused: bool = False, wait_s: float = 0.05) -> bool:
        """Publish, unless paused, and take what came within `wait_s`; False when the other side is gone."""
        try:
            if not is_paused:
                self.send(connection, self.window - len(self.flying))
            if select.select([connection], [], [], wait_s)[0]:
                came = connection.recv(1 << 16)
                self._take(came)
                return bool(came)
        except OSError:
            return False
        return True

    def send_again(self, connection: socket.socket, seqs: Iterable[int]) -> None:
        """Publish these instants once more, and wait until each is acknowledged."""
        waiting = sorted(seqs)
        while waiting or self.flying:
            some, waiting = waiting[: self.window], waiting[self.window :]
            connection.sendall(b"".join(self._publish(seq) for seq in some))
            assert self.take_what_flies(connection), "what was sent again was not acknowledged"

    def take_what_flies(self, connection: socket.socket, *, within_s: float = 20.0) -> bool:
        """Take acknowledgements until nothing is owed; False when that is not so in time."""
        deadline = time.monotonic() + within_s
        while self.flying:
            left_s = deadline - time.monotonic()
            if left_s <= 0 or not select.select([connection], [], [], left_s)[0]:
                return False
            self._take(connection.recv(1 << 16))
        return True

    def send(self, connection: socket.socket, count: int) -> None:
        """Publish so many instants more, and take nothing yet."""
        fresh = range(self.upcoming, self.upcoming + count)
        self.upcoming = fresh.stop
        connection.sendall(b"".join(self._publish(seq) for seq in fresh))

    def _send_more(self, connection: socket.socket) -> bool:
        try:
            self.send(connection, self.window - len(self.flying))
        except (BrokenPipeError, ConnectionResetError):
            return False
        return True

    def _publish(self, seq: int) -> bytes:
        self._number = self._number % IDS + 1
        self.flying[self._number] = seq
        body = _text(TOPIC) + struct.pack(">H", self._number) + live_pack(seq)
        return b"\x32" + _length(len(body)) + body

    def _take(self, came: bytes) -> None:
        data = self._left + came
        whole = len(data) - len(data) % PUBACK_BYTES
        self._left = data[whole:]
        for at in range(0, whole, PUBACK_BYTES):
            kind, size, number = struct.unpack_from(">BBH", data, at)
            assert (kind, size) == (PUBACK, 2), data[at : at + PUBACK_BYTES].hex()
            self.acknowledged.add(self.flying.pop(number))
        self.last_ack_s = time.monotonic()


def _connect(user: str, password: str) -> bytes:
    body = _text(b"MQTT") + bytes([4, 0xC2]) + struct.pack(">H", 60)
    body += _text(b"journey") + _text(user.encode()) + _text(password.encode())
    return b"\x10" + _length(len(body)) + body


def _text(value: bytes) -> bytes:
    return struct.pack(">H", len(value)) + value


def _length(size: int) -> bytes:
    out = bytearray()
    while True:
        size, digit = divmod(size, 128)
        out.append(digit | 0x80 if size else digit)
        if not size:
            return bytes(out)
