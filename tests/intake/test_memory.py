"""Garbage is looked for less often, and still found."""

import gc
import weakref

from server.intake.memory import ALLOCATIONS, look_less_often


class Ring:
    """Refers to itself, so that its count never falls to nothing."""

    def __init__(self) -> None:
        self.me = self


def test_cycles_are_looked_for_less_often_and_still_found() -> None:
    before = gc.get_threshold()
    try:
        look_less_often()
        assert gc.get_threshold() == (ALLOCATIONS, *before[1:])
        gone = weakref.ref(Ring())
        kept: list[list[int]] = [[] for _ in range(2 * ALLOCATIONS)]
        assert gone() is None
        assert len(kept) == 2 * ALLOCATIONS
    finally:
        gc.set_threshold(*before)
        gc.unfreeze()
