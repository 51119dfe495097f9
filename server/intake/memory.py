"""How the interpreter shares its time in a process that takes packs in: between threads, and with garbage."""

import gc
import sys

ALLOCATIONS = 100_000  # a group of packs makes some ten thousand tuples, all of them freed by their counts
TURN_S = 0.0005  # the listener waits so long at most for its turn while the writer computes; usual are 5 ms


def suit_intake() -> None:
    """Look for cycles of garbage less often, and let threads take turns more often.

    The looking cost an eighth of the time, and each turn of the listener waited 5 ms for the writer.
    Source: Python, modules gc and sys.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(ALLOCATIONS, *gc.get_threshold()[1:])
    sys.setswitchinterval(TURN_S)
