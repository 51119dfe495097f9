"""Pairs from night to night."""

import pytest

from server.errors import OutOfRangeError
from server.trend.trial_pairs import PairNight, Served, all_served, carried, halved, scaling, unscaled
from tests.refusals import refuses

LAST = Served(night=400, d=0.08, se=0.05)
NOW = Served(night=401, d=0.09, se=0.04)


def test_a_turn_is_brought_to_the_mean_moment_and_then_to_100_n_m() -> None:
    factors = scaling(80.0, 45.0)  # geometric mean 60
    assert (factors.a, factors.b, factors.after) == pytest.approx((60 / 80, 60 / 45, 100 / 60))


def test_scaled_rates_are_each_doors_own_per_100_n_m() -> None:
    factors = scaling(71.73, 66.45)
    difference = (0.085 * factors.b - 0.060 * factors.a) * factors.after
    assert difference == pytest.approx(0.085 * 100 / 66.45 - 0.060 * 100 / 71.73)


def test_per_10000_openings_each_door_by_its_own_use() -> None:
    factors = scaling(71.73, 66.45, openings=(11_322.75, 16_071.0))
    difference = (0.085 * factors.b - 0.060 * factors.a) * factors.after
    by_hand = 0.085 * 100 / 66.45 / 1.6071 - 0.060 * 100 / 71.73 / 1.132275
    assert difference == pytest.approx(by_hand)


def test_alike_doors_are_left_as_they_are() -> None:
    factors = scaling(70.0, 70.0, openings=(9000.0, 9000.0))
    assert (factors.a, factors.b) == pytest.approx((1, 1))
    assert (unscaled().a, unscaled().b, unscaled().after) == (1, 1, 1)


@pytest.mark.parametrize(
    ("tonight", "wanted"),
    [
        (PairNight(served=NOW), NOW),
        (PairNight(refused="season"), LAST),
        (PairNight(served=NOW, ended=True), LAST),
        (PairNight(ended=True), LAST),
    ],
)
def test_what_counts_tonight(tonight: PairNight, wanted: Served) -> None:
    assert carried(LAST, tonight) == wanted


def test_one_pair_never_served_holds_the_verdict_back() -> None:
    assert all_served([LAST, carried(None, PairNight(refused="first_year"))]) is None
    assert all_served([]) is None
    assert all_served([LAST, NOW]) == (LAST, NOW)


@pytest.mark.parametrize(("se", "wanted"), [(0.026, False), (0.025, True), (0.01, True)])
def test_an_error_that_halves_in_a_night_is_found(se: float, wanted: bool) -> None:
    assert halved(LAST, PairNight(served=Served(night=401, d=0.08, se=se))) is wanted
    assert not halved(None, PairNight(served=NOW))


@pytest.mark.parametrize("pair", [(0.0, 60.0), (60.0, -1.0)])
def test_a_moment_of_nothing_is_refused(pair: tuple[float, float]) -> None:
    with refuses(OutOfRangeError, asked="scale a pair", needed="above 0", came="60"):
        scaling(*pair)
