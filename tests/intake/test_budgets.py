"""A day's readings of a node."""

import pytest

from server.intake.budgets import HOUR_MS, Budgets


class Hand:
    """A clock that a test sets."""

    now_ms = 1000 * HOUR_MS

    def __call__(self) -> int:
        return self.now_ms


def test_a_node_is_spent_for_a_day_and_no_other_is() -> None:
    clock = Hand()
    budgets = Budgets(clock_ms=clock, least=100)
    assert not budgets.is_spent("yard/north")
    budgets.spend("yard/north", 60, channels=0)
    clock.now_ms += 10 * HOUR_MS
    budgets.spend("yard/north", 39, channels=0)
    assert not budgets.is_spent("yard/north")
    budgets.spend("yard/north", 1, channels=0)
    assert budgets.is_spent("yard/north")
    assert not budgets.is_spent("yard/south")
    clock.now_ms += 13 * HOUR_MS
    assert budgets.is_spent("yard/north"), "23 hours after the first"
    clock.now_ms += HOUR_MS
    assert not budgets.is_spent("yard/north")


def test_a_clock_that_is_set_back_frees_nobody() -> None:
    clock = Hand()
    budgets = Budgets(clock_ms=clock, least=10)
    budgets.spend("yard/north", 6, channels=0)
    clock.now_ms -= 3 * HOUR_MS
    budgets.spend("yard/north", 6, channels=0)
    assert budgets.is_spent("yard/north")


@pytest.mark.parametrize(("channels", "most"), [(8, 400_000), (64, 400_000), (200, 576_000)])
def test_twenty_times_what_a_day_brings_and_400_000_at_least(channels: int, most: int) -> None:
    budgets = Budgets(clock_ms=Hand())
    budgets.spend("yard/north", most - 1, channels=channels)
    assert not budgets.is_spent("yard/north")
    budgets.spend("yard/north", 1, channels=channels)
    assert budgets.is_spent("yard/north")
