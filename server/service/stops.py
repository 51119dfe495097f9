"""Being asked to stop."""

import signal
import threading
from types import FrameType

ASKED_BY = (signal.SIGTERM, signal.SIGINT)


def stop_asked() -> threading.Event:
    """An event that SIGTERM and SIGINT set from now on; a second of the same kind does what it did before.

    Asked for before anything is opened: who is told to stop while it starts ends what it has started. Who
    waits then for a database that does not answer is ended by the second. Once all is open: `only_asks`.
    """
    asked = threading.Event()

    def hear(number: int, _frame: FrameType | None) -> None:
        asked.set()
        signal.signal(number, before[number])

    before = {int(each): signal.getsignal(each) for each in ASKED_BY}
    for each in before:
        signal.signal(each, hear)
    return asked


def only_asks(asked: threading.Event) -> None:
    """From now on a signal asks, however often it comes: what runs ends in order."""
    for each in ASKED_BY:
        signal.signal(each, lambda *_: asked.set())
