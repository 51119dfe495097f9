"""A collector's line, a directory and a client that speaks raw packets, for tests of the listener."""

import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from types import TracebackType
from typing import Self, TypeVar

from server.intake.codec import find_frame, read, write
from server.intake.limits import Limits
from server.intake.listener import Listener
from server.intake.packets import Connack, Connect, Packet
from server.intake.values import DownlinkValue, Identity, Offer, SessionState, Taken

DEADLINE_S = 5.0
QUIET_S = 0.15
ARRIVAL_MS = 1_767_268_800_000
_P = TypeVar("_P")

NORTH = "hangtrue/v1/saltmarsh-yard/north/"
SOUTH = "hangtrue/v1/saltmarsh-yard/south/"


def wait_for(state: Callable[[], object], what: str) -> None:
    """Return once `state()` holds; fail after a deadline."""
    until_s = time.monotonic() + DEADLINE_S
    while not state():
        assert time.monotonic() < until_s, f"waited in vain for {what}"
        time.sleep(0.002)


@dataclass
class FakeQueue:
    """Keeps offers; `is_full` is set by hand."""

    offers: list[Offer] = field(default_factory=list)
    full: bool = False
    spent: set[str] = field(default_factory=set)

    def offer(self, offer: Offer) -> None:
        self.offers.append(offer)

    def offer_all(self, offers: Sequence[Offer]) -> None:
        self.offers.extend(offers)

    def is_full(self) -> bool:
        return self.full

    def is_spent(self, owner: str) -> bool:
        return owner in self.spent

    def wait(self, count: int) -> list[Offer]:
        """The offers, once there are that many."""
        wait_for(lambda: len(self.offers) >= count, f"{count} offers")
        return self.offers

    def taken(self, *codes: str | None) -> list[Taken]:
        """Answers to the last offers with a token, in order."""
        tokens = [offer.token for offer in self.offers if offer.token is not None][-len(codes) :]
        return [Taken(token=token, code=code) for token, code in zip(tokens, codes, strict=True)]


@dataclass
class FakeDirectory:
    """Users, sessions and down-links in memory. Keeps copies, as a database does."""

    passwords: dict[str, bytes] = field(default_factory=dict)
    identities: dict[str, Identity] = field(default_factory=dict)
    sessions: dict[str, SessionState] = field(default_factory=dict)
    values: dict[str, DownlinkValue] = field(default_factory=dict)
    gate: threading.Event = field(default_factory=threading.Event)
    asked: int = 0
    saves: int = 0
    flooding: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.gate.set()

    def identify(self, user: str, password: bytes) -> Identity | None:
        self.asked += 1
        self.gate.wait(DEADLINE_S)
        return self.identities[user] if self.passwords.get(user) == password else None

    def load_session(self, client_id: str) -> SessionState | None:
        found = self.sessions.get(client_id)
        return replace(found) if found else None

    def save_session(self, state: SessionState) -> None:
        self.saves += 1
        self.sessions[state.client_id] = state

    def end_session(self, client_id: str) -> None:
        self.sessions.pop(client_id, None)

    def downlinks(self, topics: Sequence[str]) -> list[DownlinkValue]:
        return [self.values[topic] for topic in topics if topic in self.values]

    def note_flooding(self, site: str, node: str) -> None:
        self.flooding.append(f"{site}/{node}")

    def states(self) -> list[DownlinkValue]:
        return [value for topic, value in self.values.items() if topic.endswith("/status")]

    def put(self, topic: str, payload: bytes, rev: int) -> DownlinkValue:
        """Change a down-link."""
        self.values[topic] = DownlinkValue(topic=topic, payload=payload, rev=rev)
        return self.values[topic]


def saltmarsh_yard() -> FakeDirectory:
    """Both nodes of the yard (north with two passwords), one revoked, one that watches, one of a broker."""
    directory = FakeDirectory()
    people = [
        ("saltmarsh-yard.north.1", "node", "north", False),
        ("saltmarsh-yard.north.2", "node", "north", False),
        ("saltmarsh-yard.south.1", "node", "south", False),
        ("saltmarsh-yard.old.1", "node", "old", True),
        ("watcher", "watch", None, False),
        ("collector", "collector", None, False),
    ]
    for number, (user, role, node, revoked) in enumerate(people, 1):
        directory.passwords[user] = b"4C7Q9MZK2T0VXA8B"
        directory.identities[user] = Identity(
            credential_id=number,
            user=user,
            role=role,
            site="saltmarsh-yard" if node else None,
            node=node,
            revoked=revoked,
        )
    return directory


class RawClient:
    """A socket that writes and reads packets, and says nothing by itself."""

    def __init__(self, port: int, version: int = 4) -> None:
        self.version = version
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=DEADLINE_S)
        self._buffer = bytearray()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._socket.close()

    def send(self, *packets: Packet | bytes) -> None:
        """Send packets, or bytes as they are, in one write."""
        parts = [packet if isinstance(packet, bytes) else write(packet, self.version) for packet in packets]
        self._socket.sendall(b"".join(parts))

    def receive(self, kind: type[_P]) -> _P:
        """The next packet, which must be of that kind."""
        while (frame := find_frame(self._buffer, 0, 1 << 20)) is None:
            data = self._socket.recv(65536)
            assert data, f"closed while waiting for {kind.__name__}"
            self._buffer += data
        first, start, end = frame
        packet = read(first, self._buffer, start, end, self.version)
        del self._buffer[:end]
        assert isinstance(packet, kind), f"{kind.__name__} expected, came {packet}"
        return packet

    def is_closed(self) -> bool:
        """Whether the other side closes, with nothing more to say."""
        assert not self._buffer, bytes(self._buffer)
        try:
            return self._socket.recv(1) == b""
        except ConnectionResetError:
            return True

    def is_quiet(self) -> bool:
        """Whether nothing comes for a moment, and the connection stays."""
        self._socket.settimeout(QUIET_S)
        try:
            self._buffer += self._socket.recv(1)
        except TimeoutError:
            return not self._buffer
        finally:
            self._socket.settimeout(DEADLINE_S)
        return False

    def connect(self, **changes: object) -> Connack:
        """CONNECT as `north` of the yard with what is changed; the CONNACK."""
        self.send(connect_of(self.version, **changes))
        return self.receive(Connack)

    def fill(self, data: bytes, most_bytes: int) -> int:
        """Send the same bytes again and again until nobody takes them for a moment; how many went."""
        sent = 0
        self._socket.settimeout(QUIET_S)
        try:
            while sent < most_bytes:
                sent += self._socket.send(data)
        except TimeoutError:
            return sent
        finally:
            self._socket.settimeout(DEADLINE_S)
        return sent

    def cut(self) -> None:
        """Close without a farewell."""
        self._socket.close()

    def send_slowly(self, data: bytes) -> None:
        """Each byte in a segment of its own."""
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for index in range(len(data)):
            self._socket.sendall(data[index : index + 1])


def connect_of(version: int, **changes: object) -> Connect:
    """CONNECT as `north` of the yard, with what is changed."""
    plain = Connect(
        version=version,
        client_id="htae3d2911c36606ac8ea3",
        clean=True,
        keep_alive_s=60,
        user="saltmarsh-yard.north.1",
        password=b"4C7Q9MZK2T0VXA8B",
    )
    return replace(plain, **changes)  # type: ignore[arg-type]  # the names are those of Connect


@dataclass
class Yard:
    """A listener on a free port, between a line and a directory that a test holds."""

    listener: Listener
    port: int
    queue: FakeQueue
    directory: FakeDirectory

    def client(self, version: int = 4) -> RawClient:
        """A client that has not said anything yet."""
        return RawClient(self.port, version)

    def count(self, name: str) -> int:
        """That counter."""
        return self.listener.counters()[name]


@contextmanager
def listening(directory: FakeDirectory | None = None, **limits: object) -> Iterator[Yard]:
    """A listener of the yard, with limits changed; stopped at the end, and its thread gone."""
    queue, directory = FakeQueue(), directory or saltmarsh_yard()
    listener = Listener(
        queue=queue,
        directory=directory,
        clock_ms=lambda: ARRIVAL_MS,
        bind=("127.0.0.1", 0),
        limits=replace(Limits(), **limits),  # type: ignore[arg-type]  # the names are those of Limits
    )
    port = listener.start()
    try:
        yield Yard(listener, port, queue, directory)
    finally:
        directory.gate.set()
        listener.stop()
