"""How much one client, one address and all together may ask of the listener, and what it counts."""

from collections import deque
from dataclasses import dataclass

COUNTERS = (
    "connections",
    "packs",
    "packs_unacknowledged",
    "refused_packs",
    "refused_topics",
    "refused_filters",
    "refused_connects",
    "auth_failures",
    "protocol_errors",
    "retained_readings",
    "rate_pauses",
    "budget_pauses",
    "flight_pauses",
    "queue_pauses",
    "take_overs",
    "silent_closes",
    "unread_closes",
    "stalled_closes",
    "wills",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Bounds of the listener. `rate_per_minute` 0: no bound on packs."""

    packet_bytes: int = 20480
    connections: int = 500
    connections_an_address: int = 20
    in_flight: int = 200
    in_flight_3: int = 400
    unsent_bytes: int = 256 * 1024
    rate_per_minute: int = 120
    burst: int = 300
    checks_at_once: int = 2
    checks_waiting: int = 50
    failures: int = 5
    failures_within_s: float = 60.0
    failure_wait_s: float = 5.0
    connect_within_s: float = 10.0
    keep_alive_s: int = 1800
    session_s: int = 30 * 86400
    renew_s: float = 86400.0
    will_delay_s: int = 300
    stall_s: float = 30.0
    client_id_bytes: int = 128
    filters: int = 20
    linger_s: float = 2.0


_ANY_NUMBER = 1 << 30


class Bucket:
    """Packs that a node may still send: `burst` at once, `rate_per_minute` in the long run."""

    __slots__ = ("_at_s", "_burst", "_left", "_rate_per_s")

    def __init__(self, limits: Limits, now_s: float) -> None:
        self._rate_per_s, self._burst = limits.rate_per_minute / 60.0, float(limits.burst)
        self._left, self._at_s = self._burst, now_s

    def room(self, now_s: float) -> int:
        """How many packs may come now without a wait after the last of them."""
        if not self._rate_per_s:
            return _ANY_NUMBER
        return int(min(self._burst, self._left + (now_s - self._at_s) * self._rate_per_s)) - 1

    def take(self, now_s: float, packs: int = 1) -> float:
        """Count packs; seconds to wait before the next one may come."""
        if not self._rate_per_s:
            return 0.0
        self._left = min(self._burst, self._left + (now_s - self._at_s) * self._rate_per_s) - packs
        self._at_s = now_s
        return max(0.0, (1.0 - self._left) / self._rate_per_s)


class Failures:
    """Which addresses have lately failed to name themselves, so that they are answered late."""

    most_addresses = 1000

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._at_s: dict[str, deque[float]] = {}

    def record(self, address: str, now_s: float) -> None:
        """One wrong user or password from an address."""
        times = self._at_s.pop(address, None) or deque(maxlen=self._limits.failures)
        times.append(now_s)
        self._at_s[address] = times  # at the end: the first is the one that has been quiet longest
        if len(self._at_s) > self.most_addresses:
            del self._at_s[next(iter(self._at_s))]

    def is_slowed(self, address: str, now_s: float) -> bool:
        """Whether so many failures came from it within the minute that its CONNECT must wait."""
        times = self._at_s.get(address, ())
        recent = sum(now_s - at_s < self._limits.failures_within_s for at_s in times)
        return recent >= self._limits.failures
