"""How many readings a node may have stored in a day: a broken or hostile one must not fill the disk."""

from collections import deque
from collections.abc import Callable

LEAST_READINGS = 400_000  # catching up on 90 days of 8 channels takes a quarter of it
TIMES, INSTANTS_A_DAY = 20, 144  # of what a node stores in a day when it samples each ten minutes
HOUR_MS, HOURS = 3_600_000, 24


class Budgets:
    """Readings stored of each node, `site/node`, in the last 24 hours, by the hour.

    Spent by the writer's thread, looked at by any. Begins anew with the process.
    """

    def __init__(self, *, clock_ms: Callable[[], int], least: int = LEAST_READINGS) -> None:
        self._clock_ms, self._least = clock_ms, least
        self._hours: dict[str, deque[tuple[int, int]]] = {}
        self._most: dict[str, int] = {}

    def spend(self, owner: str, readings: int, *, channels: int) -> None:
        """Count readings that were stored of a node with so many channels."""
        hour = self._clock_ms() // HOUR_MS
        self._most[owner] = max(self._least, TIMES * INSTANTS_A_DAY * channels)
        hours = self._hours.setdefault(owner, deque(maxlen=HOURS))
        if hours and hours[-1][0] >= hour:  # the same hour, or a clock that was set back
            hours[-1] = (hours[-1][0], hours[-1][1] + readings)
        else:
            hours.append((hour, readings))

    def is_spent(self, owner: str) -> bool:
        """Whether a node has had its day's readings, so that more must wait."""
        return owner in self._most and self.spent_of(owner) >= self._most[owner]

    def spent_of(self, owner: str) -> int:
        """Readings stored of a node in the last 24 hours."""
        since = self._clock_ms() // HOUR_MS - HOURS
        return sum(readings for hour, readings in tuple(self._hours.get(owner, ())) if hour > since)
