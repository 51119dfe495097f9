"""What a fit says, whatever found its noise, slab and steps."""

from dataclasses import replace

import numpy as np
import pytest

from server.trend.answer import Decomposition, answer, posterior
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
