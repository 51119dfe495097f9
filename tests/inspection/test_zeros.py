"""A gauge's good days, their median and spread."""

import numpy as np
import pytest

from server.inspection.spans import spans_of
from server.inspection.zeros import Heard, median_and_spread
from tests.inspection.doors import Truth, made_inputs, missing, one_joint

PAIR = ("lock-hinge-top", "lock-hinge-bottom")


def test_the_spread_of_normal_draws_is_their_standard_deviation() -> None:
    """Source: numpy's own standard deviation of the same draws."""
    draws = np.random.default_rng(3).normal(2.0, 0.3, 20_000)
    middle, spread = median_and_spread(draws)
    assert middle == np.median(draws)
    assert spread == pytest.approx(draws.std(), rel=0.02)


def test_a_day_is_good_where_half_of_the_gauges_read_often_enough() -> None:
    inputs = missing(made_inputs(Truth(years=0.1), one_joint()), 5, 8, gauges=PAIR[:1])
    inputs = missing(inputs, 7, 9)
    heard = Heard.of(inputs, PAIR, spans_of(inputs)[0])
    assert set(inputs.day) - set(heard.good_days()) == {7, 8}
    assert set(heard.zeros(heard.good, (4, 9), 3)) == {PAIR[1]}
