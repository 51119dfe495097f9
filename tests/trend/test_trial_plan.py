"""The planner. Source of the numbers: tests/published/trial.json and a second reckoning by drawing."""

from typing import Any

import numpy as np
import pytest

from server.errors import OutOfRangeError
from server.trend.trial_fence import fence
from server.trend.trial_plan import (
    S1_DROOP_MM,
    Ask,
    chance_told,
    chance_told_kind,
    half_width_at_end,
    least_difference,
    pairs_needed,
    plan,
    reaches,
)
from tests.refusals import refuses
from tests.trend.looks import paths
from tests.trend.trial_cases import FILE, of_topic


def ask(pairs: int, horizon: float, difference: float) -> Ask:
    return Ask(pairs=pairs, horizon_years=horizon, difference=difference)


@pytest.mark.parametrize("case", of_topic("planner", "pairs"), ids=lambda case: case["id"])
def test_figures_as_worked(case: dict[str, Any]) -> None:
    found, wanted = plan(Ask(**case["input"])), case["output"]
    assert found.by_year == pytest.approx(wanted["by_year"], rel=1e-6, abs=1e-12)
    assert found.not_before_years == pytest.approx(wanted["not_before_years"], rel=1e-6)
    even = wanted["even_chance_years"]
    assert found.even_chance_years == (even if even is None else pytest.approx(even, rel=1e-6))
    assert found.half_width_at_end == pytest.approx(wanted["half_width_at_end"], rel=1e-6)
    assert found.least_difference == pytest.approx(wanted["seen_4_of_5"], rel=1e-6)
    assert found.told_by_end == pytest.approx(wanted["by_year"][-1], rel=1e-6)


@pytest.mark.parametrize(
    ("horizon", "pairs", "half_width", "seen", "x005", "x010"),
    [
        (5, 1, 0.075, 0.096, (2.8, 0.31), (1.9, 3.5, 0.35, 0.83)),
        (6, 1, 0.068, 0.088, (3.2, 0.36), (2.1, 3.8, 0.25, 0.77)),
        (6, 2, 0.048, 0.062, (2.7, 0.62), (1.7, 2.8, 0.61, 0.98)),
        (6, 3, 0.039, 0.050, (2.3, 0.79), (1.5, 2.3, 0.84, 1.0)),
        (6, 6, 0.028, 0.036, (1.9, 0.98), (1.1, 1.6, 1.0, 1.0)),
        (10, 1, 0.053, 0.068, (4.7, 0.54), (3.0, 5.0, 0.05, 0.50)),
        (10, 3, 0.030, 0.039, (3.3, 0.95), (2.0, 3.0, 0.52, 0.98)),
    ],
)
def test_planners_table(
    horizon: int,
    pairs: int,
    half_width: float,
    seen: float,
    x005: tuple[float, ...],
    x010: tuple[float, ...],
) -> None:
    small, large = ask(pairs, horizon, 0.05), ask(pairs, horizon, 0.10)
    assert half_width_at_end(small) == pytest.approx(half_width, abs=6e-4)
    assert least_difference(small) == pytest.approx(seen, abs=6e-4)
    assert reaches(small, 0.05) == pytest.approx(x005[0], abs=0.06)
    assert chance_told(small, horizon) == pytest.approx(x005[1], abs=0.006)
    assert reaches(large, 0.05) == pytest.approx(x010[0], abs=0.06)
    assert reaches(large, 0.5) == pytest.approx(x010[1], abs=0.06)
    assert (chance_told(large, 3), chance_told(large, 5)) == pytest.approx(x010[2:], abs=0.006)


@pytest.mark.parametrize(
    ("difference", "wanted"),
    [(0.03, [18, 11, 9, 6]), (0.05, [7, 4, 4, 2]), (0.08, [3, 2, 2, 1]), (0.10, [2, 1, 1, 1])],
)
def test_pairs_for_a_difference(difference: float, wanted: list[int]) -> None:
    assert [pairs_needed(ask(1, years, difference)) for years in (3, 5, 6, 10)] == wanted


def test_so_many_pairs_are_enough_and_one_less_is_not() -> None:
    needed = pairs_needed(ask(1, 6, 0.03))
    assert chance_told(ask(needed, 6, 0.03), 6) >= 0.8 > chance_told(ask(needed - 1, 6, 0.03), 6)


def test_least_difference_is_told_in_four_of_five() -> None:
    assert chance_told(ask(3, 6, least_difference(ask(3, 6, 1.0))), 6) == pytest.approx(0.8)


def test_no_word_before_a_year_whatever_the_difference() -> None:
    wide = ask(6, 6, 0.6)
    assert chance_told(wide, 0.99) == 0.0
    assert chance_told(wide, 1.0) > 0.9
    assert reaches(wide, 0.05) == 1.0


def test_what_is_not_reached_has_no_year() -> None:
    assert reaches(ask(1, 6, 0.05), 0.5) is None


def test_chances_as_drawn() -> None:
    """Against 6000 drawn paths at every fourth day; four standard errors, and the looks left out."""
    given, rng = ask(1, 6, 0.08), np.random.default_rng(3)
    times = np.arange(4, 6 * 365 + 1, 4) / 365
    rates = 0.08 + S1_DROOP_MM * paths(rng, 6000, times) / times
    bounds = [fence(time, 6).factor * S1_DROOP_MM / time**0.5 for time in times]
    told = np.logical_or.accumulate(rates > np.array(bounds), axis=1)
    for year in (3, 4, 5, 6):
        drawn = told[:, np.searchsorted(times, year, side="right") - 1].mean()
        assert chance_told(given, year) == pytest.approx(drawn, abs=0.03), year


@pytest.mark.parametrize(
    ("pairs", "tau", "difference", "wanted"),
    [  # this project's table of 4000 draws; here 1500, so four standard errors of both
        (2, 0.02, 0.10, 0.00),
        (3, 0.00, 0.10, 0.65),
        (4, 0.02, 0.05, 0.33),
        (4, 0.04, 0.10, 0.73),
        (6, 0.06, 0.15, 0.98),
        (10, 0.04, 0.05, 0.80),
    ],
)
def test_kinds_table(pairs: int, tau: float, difference: float, wanted: float) -> None:
    found = chance_told_kind(ask(pairs, 6, difference), tau, np.random.default_rng(7), draws=1500)
    assert found.shape == (6,)
    assert (np.diff(found) >= 0).all()
    error = (wanted * (1 - wanted) * (1 / 1500 + 1 / 4000)) ** 0.5
    assert found[-1] == pytest.approx(wanted, abs=4 * error + 0.005)


def test_a_draw_is_repeated_by_its_seed() -> None:
    draws = [
        chance_told_kind(ask(4, 6, 0.1), 0.02, np.random.default_rng(seed), draws=300) for seed in (1, 1, 2)
    ]
    assert (draws[0] == draws[1]).all()
    assert (draws[0] != draws[2]).any()


def test_scale_is_the_one_declared() -> None:
    assert FILE["constants"]["s1_mm_per_year_sqrt_year"] == S1_DROOP_MM


@pytest.mark.parametrize("given", [ask(0, 6, 0.1), ask(1, 0, 0.1), ask(1, 6, 0.0)])
def test_a_plan_of_nothing_is_refused(given: Ask) -> None:
    with refuses(OutOfRangeError, asked="plan of a trial", needed="1 pair or more", came="0"):
        plan(given)


@pytest.mark.parametrize(("pairs", "tau"), [(1, 0.02), (3, -0.1)])
def test_a_kind_of_one_pair_is_refused(pairs: int, tau: float) -> None:
    with refuses(OutOfRangeError, asked="plan of a kind", needed="2 pairs", came=f"{pairs} pairs, {tau:g}"):
        chance_told_kind(ask(pairs, 6, 0.1), tau, np.random.default_rng(1))
