"""Being asked to stop."""

import signal
import threading


def stop_asked() -> threading.Event:
    """An event that SIGTERM and SIGINT set from now on.

    Asked for before anything is opened: who is told to stop while it starts ends what it has started.
    """
    asked = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: asked.set())
    return asked
