"""The planner. Source of the numbers: tests/published/trial.json and a second reckoning by drawing."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from server.errors import OutOfRangeError
from server.trend.trial_error import DROOP_MM, TURN_MRAD, ErrorPath
from server.trend.trial_fence import FENCE_1, METHODS, Method
from server.trend.trial_plan import (
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
    """Of droop by fence-1, as the published figures are."""
    return Ask(pairs=pairs, horizon_years=horizon, difference=difference, method=FENCE_1)


@pytest.mark.parametrize("case", of_topic("planner", "pairs"), ids=lambda case: case["id"])
def test_figures_as_worked(case: dict[str, Any]) -> None:
    """Source: closed form of the first passage over a straight level, which that of fence-1 is for droop."""
    given = {name: value for name, value in case["input"].items() if name != "s1"}
    error = ErrorPath(years=(1.0,), se=(case["input"]["s1"],))
    found, wanted = plan(Ask(**given, error=error, method=FENCE_1)), case["output"]
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


TURNS_ALL_SERVED = replace(TURN_MRAD, served_years=(), served=())
DRAWN = [
    Ask(pairs=1, horizon_years=6.0, difference=0.08, method=METHODS["fence-1"]),
    Ask(pairs=1, horizon_years=6.0, difference=0.10),
    Ask(pairs=1, horizon_years=6.0, difference=0.0882),
    Ask(pairs=3, horizon_years=6.0, difference=0.02, error=TURNS_ALL_SERVED),
    Ask(pairs=6, horizon_years=10.0, difference=0.01, error=TURNS_ALL_SERVED),
]


@pytest.mark.parametrize(
    "given", DRAWN, ids=["droop by fence-1", "droop", "droop told in 4 of 5", "turns", "turns of ten years"]
)
def test_chances_as_drawn(given: Ask) -> None:
    """Against 40,000 drawn paths: 0.006, which is 2.4 standard errors at the most.

    Of a path between two of its looks the chance to have been outside is that of a bridge, exp(-2 a b/h),
    with a and b short of the level at both ends (A. N. Borodin, P. Salminen, from memory): as if every
    moment was a look.
    """
    rng, whole = np.random.default_rng(3), np.arange(1, given.horizon_years + 0.5)
    soon, even = reaches(given, 0.05), reaches(given, 0.5)
    asked = [*whole, *(year for year in (soon, even) if year is not None)]
    years = np.concatenate([np.geomspace(0.05, 0.99, 60), np.linspace(1.0, given.horizon_years, 15 * 24)])
    years = np.unique(np.concatenate([years, asked]))
    error = given.error.at(years) / given.pairs**0.5
    information, level = error**-2, given.method.factor(years / given.horizon_years) / error
    told, drawn = np.zeros(years.size), 40_000
    for _ in range(drawn // 4000):
        short = level - given.difference * information - paths(rng, 4000, information)
        bridge = np.exp(
            -2 * np.clip(short[:, :-1], 0, None) * np.clip(short[:, 1:], 0, None) / np.diff(information)
        )
        inside = np.cumprod(1 - np.concatenate([short[:, :1] < 0, bridge], axis=1), axis=1)
        told += (1 - inside).sum(axis=0)
    for year in asked:
        wanted = told[np.searchsorted(years, year)] / drawn
        assert chance_told(given, float(year)) == pytest.approx(wanted, abs=0.006), year


@pytest.mark.parametrize("method", METHODS.values(), ids=METHODS)
def test_a_stricter_fence_tells_later_and_by_the_end_as_much(method: Method) -> None:
    """The bar of trial §4: the same power at the horizon, told some two tenths of a year later."""
    first = Ask(pairs=1, horizon_years=6.0, difference=0.1, method=FENCE_1)
    other = replace(first, method=method)
    assert chance_told(other, 6.0) == pytest.approx(chance_told(first, 6.0), abs=0.01)
    even, later = reaches(first, 0.5), reaches(other, 0.5)
    assert even is not None
    assert later is not None
    assert (later - even > 0.1) == (method is not FENCE_1)
    assert later - even < 0.3


def test_early_years_are_not_promised_before_the_turns_tell_them() -> None:
    """As if their error fell as the root of time to what it is at the end, more would be told in year two."""
    measured = Ask(pairs=3, horizon_years=6.0, difference=0.04, error=TURNS_ALL_SERVED)
    as_root = replace(measured, error=ErrorPath(years=(6.0,), se=(float(TURN_MRAD.at(6.0)),)))
    assert chance_told(measured, 2.0) < chance_told(as_root, 2.0) / 2
    assert chance_told(measured, 6.0) == pytest.approx(chance_told(as_root, 6.0), abs=0.02)


LATE = ErrorPath(years=(1.0,), se=(0.03,), served_years=(1.0, 2.0, 3.0), served=(0.0, 0.6, 1.0))


def test_nothing_is_told_before_every_pair_is_compared() -> None:
    """Of 3 pairs of which 0.6 are compared by year 2: no more than 0.216 of trials, and all by year 3."""
    late = Ask(pairs=3, horizon_years=6.0, difference=0.6, error=LATE)
    assert chance_told(late, 2.0) == pytest.approx(0.6**3, abs=1e-4)
    assert chance_told(late, 1.0) == 0.0
    assert chance_told(late, 3.0) == pytest.approx(1.0, abs=1e-4)
    assert reaches(late, 0.5) == pytest.approx(2 + (0.5 ** (1 / 3) - 0.6) / 0.4, abs=1e-3)


def test_of_a_kind_too_nothing_is_told_before_every_pair_is_compared() -> None:
    late = Ask(pairs=6, horizon_years=4.0, difference=0.8, error=LATE)
    found = chance_told_kind(late, 0.0, np.random.default_rng(5), draws=2000)
    assert found[1] == pytest.approx(0.6**6, abs=4 * (0.6**6 / 2000) ** 0.5)
    assert found[3] > 0.99


@pytest.mark.parametrize(
    ("pairs", "horizon", "difference"), [(100, 1.0, 10.0), (1, 15.0, 1e-4), (100, 15.0, 10.0), (2, 2.3, 0.04)]
)
def test_the_outermost_asks_are_answered(pairs: int, horizon: float, difference: float) -> None:
    found = plan(Ask(pairs=pairs, horizon_years=horizon, difference=difference, error=TURN_MRAD))
    told = np.array([*found.by_year, found.told_by_end])
    assert (np.diff(told) >= -1e-9).all()
    assert ((told >= 0) & (told <= 1)).all()
    assert found.least_difference > found.half_width_at_end


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
    assert (FILE["constants"]["s1_mm_per_year_sqrt_year"],) == DROOP_MM.se


@pytest.mark.parametrize("given", [ask(0, 6, 0.1), ask(1, 0, 0.1), ask(1, 6, 0.0)])
def test_a_plan_of_nothing_is_refused(given: Ask) -> None:
    with refuses(OutOfRangeError, asked="plan of a trial", needed="1 pair or more", came="0"):
        plan(given)


@pytest.mark.parametrize(("pairs", "tau"), [(1, 0.02), (3, -0.1)])
def test_a_kind_of_one_pair_is_refused(pairs: int, tau: float) -> None:
    with refuses(OutOfRangeError, asked="plan of a kind", needed="2 pairs", came=f"{pairs} pairs, {tau:g}"):
        chance_told_kind(ask(pairs, 6, 0.1), tau, np.random.default_rng(1))
