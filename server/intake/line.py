"""The line of offers before the writer. It never blocks and never drops; givers look at `is_full`."""

import threading
from collections import deque
from collections.abc import Sequence

from server.intake.values import Offer

MOST_PACKS, MOST_BYTES = 20_000, 64 * 2**20


class Line:
    """A first-in, first-out line between many givers and one taker."""

    def __init__(self) -> None:
        self._offers: deque[Offer] = deque()
        self._bytes = 0
        self._changed = threading.Condition()
        self._closed = False

    def put(self, offer: Offer) -> None:
        """Put one offer at the end."""
        self.put_all((offer,))

    def put_all(self, offers: Sequence[Offer]) -> None:
        """Put offers at the end, and wake the taker once."""
        size = _bytes_of(offers)
        with self._changed:
            self._offers.extend(offers)
            self._bytes += size
            self._changed.notify()

    def take(self, most: int, *, wait_s: float) -> list[Offer]:
        """Up to `most` offers from the front, as soon as there is one; none after `wait_s` or once closed."""
        with self._changed:
            if not self._offers and not self._closed and wait_s > 0:
                self._changed.wait(wait_s)
            if len(self._offers) <= most:
                group = list(self._offers)
                self._offers.clear()
                self._bytes = 0
                return group
            group = [self._offers.popleft() for _ in range(most)]
            self._bytes -= _bytes_of(group)
            return group

    def close(self) -> None:
        """Wake the taker for good: from now on it does not wait."""
        with self._changed:
            self._closed = True
            self._changed.notify()

    def is_full(self) -> bool:
        """Whether the line is past its bound."""
        return len(self._offers) >= MOST_PACKS or self._bytes >= MOST_BYTES

    def size(self) -> tuple[int, int]:
        """Offers and bytes in line."""
        return len(self._offers), self._bytes


def _bytes_of(offers: Sequence[Offer]) -> int:
    return sum([len(offer.payload) for offer in offers])
