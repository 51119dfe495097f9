"""Garbage is looked for less often, and still found; threads take turns more often."""

import gc
import sys
import weakref

import pytest

from server.intake.memory import ALLOCATIONS, TURN_S, suit_intake


class Ring:
    """Refers to itself, so that its count never falls to nothing."""

    def __init__(self) -> None:
        self.me = self


def test_cycles_are_looked_for_less_often_and_still_found() -> None:
    before, turn_s = gc.get_threshold(), sys.getswitchinterval()
    try:
        suit_intake()
        assert gc.get_threshold() == (ALLOCATIONS, *before[1:])
        assert sys.getswitchinterval() == pytest.approx(TURN_S)
        gone = weakref.ref(Ring())
        kept: list[list[int]] = [[] for _ in range(2 * ALLOCATIONS)]
        assert gone() is None
        assert len(kept) == 2 * ALLOCATIONS
    finally:
        gc.set_threshold(*before)
        gc.unfreeze()
        sys.setswitchinterval(turn_s)
