"""The fence: its constants, what looks cost, and the chance of ever being wrong."""

import math
from typing import Any

import numpy as np
import pytest

from server.errors import OutOfRangeError
from server.trend.trial_error import TURN_MRAD
from server.trend.trial_fence import C_DOORS, FENCE_1, FENCE_2, METHODS, NEWEST, Method, fence, fence_of
from server.trend.trial_pool import Estimate, pool
from tests.refusals import refuses
from tests.trend.looks import FloatArray, crossed, paths
from tests.trend.trial_cases import CASES, FILE, of_topic

TABLE = of_topic("fence", "years")


@pytest.mark.parametrize("case", TABLE, ids=lambda case: case["id"])
def test_factors_as_worked(case: dict[str, Any]) -> None:
    from scipy.stats import norm

    when = (case["input"]["years"], case["input"]["horizon_years"])
    doors = fence(*when, method=FENCE_1)
    assert doors.factor == pytest.approx(case["output"]["z"], rel=1e-9)
    assert doors.nominal == pytest.approx(case["output"]["nominal_level"], rel=1e-9)
    for pairs, wanted in case["output"]["t_factor"].items():
        kind = fence(*when, method=FENCE_1, df=int(pairs) - 1, count=int(pairs))
        assert kind.factor == pytest.approx(wanted, rel=1e-7), pairs
        level = 2 * norm.sf(min(FENCE_1.c_kind(int(pairs)) / min(when[0] / when[1], 1.0) ** 0.5, 37.0))
        assert kind.nominal == pytest.approx(level, rel=1e-6)


@pytest.mark.parametrize("case", TABLE, ids=lambda case: case["id"])
def test_the_stricter_fence_is_so_much_wider_by_its_power(case: dict[str, Any]) -> None:
    """By hand: c/f^0.625 is the published c/f^0.5 by f^-0.125, and the same at the end."""
    years, horizon = case["input"]["years"], case["input"]["horizon_years"]
    wider = max(horizon / years, 1.0) ** 0.125
    assert fence(years, horizon).factor == pytest.approx(case["output"]["z"] * wider, rel=1e-9)


def test_new_trials_take_the_stricter_fence() -> None:
    assert (NEWEST, METHODS) == (FENCE_2, {"fence-1": FENCE_1, "fence-2": FENCE_2})


def test_constants_as_declared() -> None:
    from scipy.stats import norm

    given = FILE["constants"]
    assert given["c_doors"] == C_DOORS == pytest.approx(norm.isf(0.05 / 4), abs=1e-12)
    wanted = {2: 2.05, 10: given["c_kind_2_to_10"], 11: given["c_kind_11_to_15"], 15: 2.1, 16: C_DOORS}
    assert {count: FENCE_1.c_kind(count) for count in wanted} == wanted
    stricter = {2: 2.05, 9: 2.05, 10: 2.10, 15: 2.10, 16: C_DOORS}  # tests/bench/trend/trial_kinds.py
    assert {count: FENCE_2.c_kind(count) for count in stricter} == stricter


def test_chance_of_ever_crossing_by_the_exact_series() -> None:
    """The series for the greatest |W| of unit time (reflections at both sides, summed)."""
    terms = [
        (-1) ** n / (2 * n + 1) * math.exp(-((2 * n + 1) ** 2) * math.pi**2 / (8 * C_DOORS**2))
        for n in range(60)
    ]
    chance = 1 - 4 / math.pi * sum(terms)
    assert chance == pytest.approx(CASES["fence-constant"]["output"]["sup_probability"], abs=1e-9)
    assert round(chance, 5) == 0.05


def test_plain_looks_as_published() -> None:
    """Five looks 0.142, ten 0.193: Armitage, McPherson, Rowe 1969; digits by the package gsdesign 0.1.5."""
    case = CASES["looks-naive"]
    found = crossed([case["input"]["z"]] * 10, range(1, 11))
    wanted = case["output"]["false_claim"]
    assert [found[looks - 1] for looks in case["input"]["looks"]] == pytest.approx(wanted, abs=2e-5)


def test_yearly_spending_as_published() -> None:
    """Lan and DeMets's bounds of five looks cross in 0.05; what they have spent is what the fence has."""
    case = CASES["looks-yearly"]["output"]
    spent = crossed(case["z"], range(1, 6))
    assert spent == pytest.approx(case["cumulative"], abs=5e-6)
    fences = [fence(year, 5, method=FENCE_1) for year in range(1, 6)]
    assert [2 * one.nominal for one in fences] == pytest.approx(case["cumulative"], rel=1e-9)
    assert all(one.factor > z for one, z in zip(fences, case["z"], strict=True))


def test_quarterly_one_sided_bounds_as_published() -> None:
    """README of the Julia package SeqBounds: 3.74955 2.53993 2.01604 1.72014, O'Brien and Fleming's kind."""
    from scipy.stats import norm

    spent = crossed([3.74955, 2.53993, 2.01604, 1.72014], [0.25, 0.5, 0.75, 1.0], one_sided=True)
    wanted = 2 * norm.sf(norm.isf(0.025) / np.sqrt([0.25, 0.5, 0.75, 1.0]))
    assert spent == pytest.approx(wanted, abs=2e-5)


@pytest.mark.parametrize(
    ("looks", "wanted"),
    [(5, 0.0295908), (20, 0.0369083), (60, 0.0415898)],  # the package gsdesign 0.1.5, r = 32
)
@pytest.mark.parametrize("method", METHODS.values(), ids=METHODS)
def test_the_fence_spends_less_than_all_at_any_number_of_looks(
    method: Method, looks: int, wanted: float
) -> None:
    """Each at the fastest growth that it holds for: information as time to twice its power."""
    information = [(look + 1) / looks for look in range(looks)]
    times = [known ** (1 / (2 * method.power)) for known in information]
    found = crossed([fence(time, 1, method=method).factor for time in times], information)[-1]
    assert found == pytest.approx(wanted, abs=1e-6)


def nightly(rng: np.random.Generator, years: int) -> tuple[FloatArray, FloatArray]:
    """Two thousand scores of two alike joints on every night from the first year's end, over their error."""
    times = np.arange(365, years * 365 + 1) / 365
    return times, np.abs(paths(rng, 2000, times)) / np.sqrt(times)


def test_nightly_looks_by_the_fence_and_by_a_plain_interval() -> None:
    times, scores = nightly(np.random.default_rng(5), 5)
    factors = np.array([fence(time, 5, method=FENCE_1).factor for time in times])
    assert 0.03 < (scores > factors).any(axis=1).mean() < 0.065  # 0.05 ± 3 standard errors
    assert (scores > 1.96).any(axis=1).mean() > 0.20  # the bounds that the fence is there for


def test_along_the_measured_path_the_stricter_fence_holds() -> None:
    """Weekly looks by the error that pairs of turns were measured at: 20,000 motions, 0.0015 their error."""
    rng, years = np.random.default_rng(4), np.arange(1.25, 6, 7 / 365.25)
    information = TURN_MRAD.at(years) ** -2
    outside = dict.fromkeys(METHODS, 0) | {"plain": 0}
    factors = {name: method.factor(years / 6) for name, method in METHODS.items()} | {"plain": 1.96}
    for _ in range(20):
        scores = np.abs(paths(rng, 1000, information)) / np.sqrt(information)
        for name, factor in factors.items():
            outside[name] += int((scores > factor).any(axis=1).sum())
    assert outside["fence-2"] < 0.05 * 20_000 < outside["fence-1"] + 0.0045 * 20_000
    assert outside["plain"] > 0.20 * 20_000


def kind_claims(
    rng: np.random.Generator, pairs: int, tau: float, *, growth: float = 1.0, plain: bool = False
) -> dict[str, float]:
    """Shares of false claims of weekly looks in 6 years at pairs alike, by each fence or by a plain t.

    Information grows as time to the `growth`, and after two years is that of droop.
    """
    from scipy.stats import t

    times = np.arange(1, 6, 7 / 365)
    error = 0.0744 / 2**0.5 * (times / 2) ** (-growth / 2)
    walks = np.stack([paths(rng, 1500, error**-2) for _ in range(pairs)], axis=2)
    seen = walks * error[:, None] ** 2 + tau * rng.standard_normal((1500, 1, pairs))
    own = seen.var(axis=2, ddof=1)
    variance = own if plain else np.maximum(own, error**2)
    factors: dict[str, Any] = {
        name: method.factor_of_kind(times / 6, pairs, pairs - 1) for name, method in METHODS.items()
    }
    if plain:
        factors = {"plain": t.isf(0.025, pairs - 1)}
    scores = np.abs(seen.mean(axis=2)) / np.sqrt(variance / pairs)
    return {name: float((scores > factor).any(axis=1).mean()) for name, factor in factors.items()}


@pytest.mark.parametrize("growth", [1.0, 1.62])
@pytest.mark.parametrize(("pairs", "tau"), [(2, 0.1), (3, 0.0), (3, 0.05), (6, 0.05), (10, 0.03), (15, 0.02)])
def test_few_pairs_make_no_more_false_claims_than_said(pairs: int, tau: float, growth: float) -> None:
    found = kind_claims(np.random.default_rng(9), pairs, tau, growth=growth)
    assert found["fence-2"] < 0.053 + 3 * 0.0057
    if growth == 1.0:
        assert found["fence-1"] < 0.053 + 3 * 0.0057


def test_without_the_floor_two_pairs_claim_falsely_one_time_in_three() -> None:
    assert kind_claims(np.random.default_rng(9), 2, 0.0, plain=True)["plain"] > 0.3


def test_the_equal_pairs_of_these_tests_are_what_the_pool_gives() -> None:
    d = np.array([0.01, 0.09, 0.2])
    kind = pool(d, [0.03] * 3).kind
    assert kind is not None
    assert kind.se**2 == pytest.approx(max(d.var(ddof=1), 0.03**2) / 3)


def test_an_estimate_brings_its_own_fence() -> None:
    assert fence_of(Estimate(value=0.1, se=0.1), 3, 6) == fence(3, 6)
    kind = Estimate(value=0.1, se=0.1, df=4.4, count=12)
    assert fence_of(kind, 3, 6) == fence(3, 6, df=4.4, count=12)


def test_so_early_a_kind_has_no_bound_to_print() -> None:
    early = fence(0.01, 15, df=1, count=2)
    assert math.isfinite(early.factor)
    assert not early.is_bound
    assert fence(6, 6, df=2, count=3).is_bound


@pytest.mark.parametrize(("years", "horizon", "df"), [(0, 6, None), (1, 0, None), (1, 6, 0.0)])
def test_times_before_the_start_are_refused(years: float, horizon: float, df: float | None) -> None:
    with refuses(OutOfRangeError, asked="fence", needed="above 0", came="0"):
        fence(years, horizon, df=df)
