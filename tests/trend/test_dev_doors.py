"""The sixty development doors: those with no undeclared step before the cut, which this form does not seek.

Invented data with known truth, from a simulator that is not the trend's model; coverage of 95 % has a
standard error of 3 % here. The straight line is the negative control. What fits anew takes every third door,
and with HANGTRUE_LONG=1 all of them: `python -m tests.bench.trend.dev rates` prints those.
"""

import numpy as np
import pytest

from server.trend.decompose import decompose
from server.trend.refit import refit
from tests.bench.trend.dev import CUTS, KnownDoor, known_doors, naive_rate
from tests.journeys.needs import is_long

DOORS = known_doors()
FITTED = DOORS if is_long() else DOORS[::3]
STEPPED = DOORS[: 10 if is_long() else 7]
WORST_RMSE = {730: 0.040, 1095: 0.027, 1826: 0.022}


def steady(cut: int) -> list[KnownDoor]:
    return [d for d in DOORS if d.daily.day.size >= cut and not any(step < cut for step in d.undeclared)]


@pytest.mark.parametrize("cut", CUTS)
def test_known_rates_lie_in_their_intervals(cut: int) -> None:
    doors = steady(cut)
    answers = [decompose(door.daily, door.facts, through=cut - 1) for door in doors]
    truth = np.array([door.true_rate_mm_per_year(cut) for door in doors])
    assert [answer.status for answer in answers] == [answers[0].status] * len(doors)
    low, rate, high = (
        np.array([getattr(answer, name) for answer in answers], dtype=float)
        for name in ("rate_low", "rate", "rate_high")
    )
    assert np.mean((low <= truth) & (truth <= high)) >= 0.92
    assert np.sqrt(np.mean((rate - truth) ** 2)) <= WORST_RMSE[cut]


@pytest.mark.parametrize("cut", CUTS)
def test_a_straight_line_is_four_times_as_far_off_and_says_it_is_sure(cut: int) -> None:
    doors = steady(cut)
    truth = np.array([door.true_rate_mm_per_year(cut) for door in doors])
    line = np.array([naive_rate(door.daily.up_to(cut - 1)) for door in doors])
    assert np.sqrt(np.mean((line[:, 0] - truth) ** 2)) > 4 * WORST_RMSE[cut]
    assert np.mean(np.abs(line[:, 0] - truth) <= 1.96 * line[:, 1]) < 0.2


def test_the_full_estimator_at_two_years() -> None:
    """Unlogged steps and all."""
    answers = [refit(door.daily, door.facts, through=729) for door in FITTED]
    told = [(door, answer) for door, answer in zip(FITTED, answers, strict=True) if answer.rate is not None]
    assert len(told) >= 0.85 * len(FITTED)
    assert all(answer.reason in {"wide", "season"} for answer in answers if answer.rate is None)
    truth = np.array([door.true_rate_mm_per_year(730) for door, _ in told])
    low, rate, high = (
        np.array([getattr(answer, name) for _, answer in told], dtype=float)
        for name in ("rate_low", "rate", "rate_high")
    )
    assert np.mean((low <= truth) & (truth <= high)) >= 0.92
    assert np.sqrt(np.mean((rate - truth) ** 2)) <= 0.034
    assert np.median(high - low) / 2 <= 0.078


def test_unlogged_steps_are_found_and_no_others() -> None:
    answers = [refit(door.daily, door.facts, through=1094) for door in STEPPED]
    for door, answer in zip(STEPPED, answers, strict=True):
        large = [day for day, size in door.step_sizes if day in door.undeclared and abs(size) >= 0.2]
        found = [step.day for step in answer.steps if not step.declared]
        assert all(any(abs(day - step) <= 7 for step in found) for day in large if 20 <= day < 1075)
        assert all(any(abs(day - step) <= 7 for day, _ in door.step_sizes) for step in found)
