"""How long a look may take: one that does not end is ended, and a run leaves the rest for the next hour.

A look is counted by its processor time: other work on the machine is no fault of the door's. One that takes
long and ends is kept, for what it fitted would be fitted anew each night.
"""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from server.errors import HangtrueError
from server.inspection.values import Finding

# Source: alerts, section 10.
LOOK_S, RUN_S = 30.0, 30 * 60.0
# A first look makes every fit there is: 20 s for ten years of a whole door, on a slow board more. Convention.
ENDED_S = 600.0


class LookTooLongError(HangtrueError):
    """A look at a door that did not end in its time."""


@contextmanager
def ended_after(seconds: float, *, asked: str) -> Iterator[None]:
    """End what runs inside by LookTooLongError once its processor time is over.

    By the process's own timer, so in its main thread alone, which is where the nightly run's process looks;
    elsewhere it goes on to its end. For what computes: a statement of a database is left to its own limits.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def end(_number: int, _frame: FrameType | None) -> None:
        raise LookTooLongError(asked, f"an end within {seconds:g} s", "none yet")

    before = signal.signal(signal.SIGPROF, end)
    try:  # the signal may come at any line from here on, the very next one and those of the end as well
        signal.setitimer(signal.ITIMER_PROF, seconds)
        yield
    finally:
        try:
            signal.setitimer(signal.ITIMER_PROF, 0)
        finally:
            signal.signal(signal.SIGPROF, before)


def overtime(door: str, took_s: float) -> tuple[Finding, ...]:
    """What is found of a look that ended, but not in its processor time; nothing of one that did."""
    if took_s <= LOOK_S:
        return ()
    return (Finding(topic="look", about=door, evidence={"failed": True, "took_s": took_s}),)
