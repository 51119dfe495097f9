"""What a fit says, whatever found its noise, slab and steps."""

from dataclasses import replace

import numpy as np
import pytest

from server.trend.answer import Decomposition, _verdict, answer, posterior
from server.trend.contrasts import last_day
from server.trend.decompose import decompose
from server.trend.series import DoorFacts
from tests.trend.records import record, stepped

DOOR = DoorFacts(declared_steps=(600,))
DAILY = stepped(stepped(record(1096), 600, -0.8), 300, 0.4)


def made() -> Decomposition:
    return decompose(DAILY, replace(DOOR, declared_steps=(300, 600)))


def test_a_step_is_declared_where_the_door_s_keeper_logged_it() -> None:
    first = made()
    assert first.fit is not None
    again = answer(
        replace(first.fit, declared=(600,)), first.outliers, DOOR, early=None, observed=first.observed_days
    )
    assert [(step.day, step.declared) for step in again.steps] == [(300, False), (600, True)]
    assert again.kept is not None
    assert (again.kept.steps, again.kept.through) == ((300,), 1095)


def test_posterior_holds_the_series_own_level_and_creep() -> None:
    first = made()
    assert first.fit is not None
    last = last_day(first.fit.solved)
    whole = posterior(first.fit, last)
    assert whole.mean[0] - last.mean[0] == pytest.approx(first.fit.origin)
    creep = 3 + first.fit.columns.creep
    assert whole.mean[creep] - last.mean[creep] == pytest.approx(0.06)
    assert np.array_equal(whole.covariance, last.covariance)


def test_days_put_aside_are_kept_by_their_day() -> None:
    spiked = replace(DAILY, value=DAILY.value + 2.0 * (DAILY.day == 800), day=DAILY.day + 50)
    kept = decompose(spiked, DoorFacts(declared_steps=(350, 650))).kept
    assert kept is not None
    assert kept.unseen == (850,)


def test_errors_asked_further_apart_change_nothing_else() -> None:
    first = made()
    assert first.fit is not None
    door, observed = replace(DOOR, declared_steps=(300, 600)), first.observed_days
    seldom = answer(first.fit, first.outliers, door, early=None, observed=observed, every_days=300)
    assert first.secular_se is not None
    assert seldom.secular_se_day is not None
    assert seldom.secular_se_day.tolist() == [0, 300, 600, 900]
    assert seldom.secular_se == pytest.approx(first.secular_se[::10])
    assert seldom.status == first.status
    # the same sums beside others: a product of matrices may add them up in another order
    assert (seldom.rate, seldom.rate_low) == pytest.approx((first.rate, first.rate_low), rel=1e-12)


SEASON = [
    # season costs, half-width, of at most 0.1: what becomes of it
    (3.9, 0.09, "served"),
    (4.1, 0.09, "refused"),
    (4.1, 0.051, "refused"),
    (4.1, 0.049, "served"),
    (9.0, 0.02, "served"),
]


@pytest.mark.parametrize(("cost", "half", "status"), SEASON)
def test_a_season_that_costs_much_of_little_is_no_refusal(cost: float, half: float, status: str) -> None:
    """27 of 27 simulated doors of which the season costs 4 to 10 times a small error held the truth."""
    assert _verdict(np.array([0, 1095]), cost, half, 0.1).status == status
