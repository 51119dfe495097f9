"""The sixty development doors: those with no undeclared step before the cut, which this form does not seek.

Invented data with known truth, from a simulator that is not the trend's model; coverage of 95 % has a
standard error of 3 % here. The straight line is the negative control.
"""

import numpy as np
import pytest

from server.trend.decompose import decompose
from tests.bench.trend.dev import CUTS, KnownDoor, known_doors, naive_rate

DOORS = known_doors()
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
