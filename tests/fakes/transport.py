"""A connection in the test's hands: what was sent is kept, what comes is put in by the test."""

from collections import deque
from dataclasses import dataclass, field

from sensors.publisher.transport import Event


@dataclass
class HandTransport:
    """Keeps (number, topic, payload, retain) of all that was published."""

    sent: list[tuple[int, str, bytes, bool]] = field(default_factory=list)
    connects: int = 0
    closed: bool = False
    users: list[tuple[str, str]] = field(default_factory=list)
    events: deque[Event] = field(default_factory=deque)

    def connect(self) -> None:
        """Count a try."""
        self.connects += 1

    def use(self, user: str, password: str) -> None:
        """Keep who it is to be from now on."""
        self.users.append((user, password))

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> int:
        """Keep what was sent."""
        self.sent.append((len(self.sent) + 1, topic, payload, retain))
        return len(self.sent)

    def next_event(self, wait_s: float) -> Event | None:
        """What the test put in; never waits."""
        return self.events.popleft() if self.events else None

    def close(self) -> None:
        """Remember that it was closed."""
        self.closed = True

    def packs(self) -> list[tuple[int, bytes]]:
        """Number and payload of what went to `readings`."""
        return [(mid, payload) for mid, topic, payload, _ in self.sent if topic.endswith("/readings")]
