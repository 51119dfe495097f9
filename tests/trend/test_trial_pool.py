"""Pooling, against a published meta-analysis, a second library and worked cases."""

from importlib import import_module
from typing import Any

import numpy as np
import pytest

from server.errors import OutOfRangeError, TooFewReadingsError
from server.trend.trial_pool import between_pairs, over_places, pool, pool_groups, weighted
from tests.refusals import refuses
from tests.trend.trial_cases import CASES, of_topic

OWN = [case for case in of_topic("pool", "estimate") if "doors" in case["output"]]


@pytest.mark.parametrize("case", OWN, ids=lambda case: case["id"])
def test_pairs_as_worked(case: dict[str, Any]) -> None:
    found, wanted = pool(case["input"]["estimate"], case["input"]["se"]), case["output"]
    assert found.doors.value == pytest.approx(wanted["doors"]["estimate"], rel=1e-9)
    assert found.doors.se == pytest.approx(wanted["doors"]["se"], rel=1e-9)
    assert found.doors.df is None
    assert (found.kind is None) == (wanted["kind"] is None)
    if found.kind is not None:
        assert found.kind.value == pytest.approx(wanted["kind"]["estimate"], rel=1e-9)
        assert found.kind.se == pytest.approx(wanted["kind"]["se"], rel=1e-9)
        assert found.kind.df == wanted["kind"]["df"]
        assert found.tau == pytest.approx(wanted["kind"]["tau"], abs=1e-9)


def test_paule_mandel_as_published() -> None:
    case = CASES["pool-bcg"]
    d, se = case["input"]["estimate"], np.sqrt(case["input"]["variance"])
    found = pool(d, se).kind
    assert between_pairs(d, se) == pytest.approx(case["output"]["tau2"], abs=1e-8)
    assert found is not None
    assert (found.value, found.se) == pytest.approx(
        (case["output"]["estimate"], case["output"]["se"]), abs=1e-8
    )


@pytest.mark.parametrize("seed", range(5))
def test_paule_mandel_as_statsmodels(seed: int) -> None:
    rng = np.random.default_rng(seed)
    se = rng.uniform(0.02, 0.08, 7)
    d = 0.05 + rng.normal(0, 0.08, 7) + se * rng.standard_normal(7)
    # its root is taken to 1e-5 of Q, whence the tolerances
    combine = import_module("statsmodels.stats.meta_analysis").combine_effects
    wanted = combine(d, se**2, method_re="iterated", use_t=True)
    found = pool(d, se)
    assert found.kind is not None
    assert found.tau is not None
    assert found.tau**2 == pytest.approx(wanted.tau2, rel=2e-5)
    assert (found.kind.value, found.kind.se) == pytest.approx(
        (wanted.mean_effect_re, wanted.sd_eff_w_re), rel=2e-5
    )


def test_t_interval_as_printed_for_thirteen_trials() -> None:
    from scipy.stats import t

    case = CASES["pool-bcg-hk"]  # README of the R package metafor, to 4 digits
    d, se = case["input"]["estimate"], np.sqrt(case["input"]["variance"])
    found, wanted = weighted(d, se, case["input"]["tau2"]), case["output"]
    wide = found.se * np.sqrt(found.q / 12)
    half = t.isf(0.025, 12) * wide
    assert (found.value, wide) == pytest.approx((wanted["estimate"], wanted["se_hartung_knapp"]), abs=1.5e-4)
    assert (found.value - half, found.value + half) == pytest.approx(
        (wanted["low"], wanted["high"]), abs=1.5e-4
    )


def test_knapp_and_hartungs_factor_is_one_at_the_root() -> None:
    d, se = [0.09, 0.02, 0.13], [0.05, 0.045, 0.06]
    assert weighted(d, se, between_pairs(d, se)).q == pytest.approx(2)


@pytest.mark.parametrize("name", ["groups", "groups-plain"])
def test_groups_as_worked(name: str) -> None:
    case = CASES[name]
    found, wanted = pool_groups(*(case["input"][key] for key in ("a", "se_a", "b", "se_b"))), case["output"]
    assert (found.value, found.se, found.df) == pytest.approx(
        (wanted["estimate"], wanted["se"], wanted["df"]), rel=1e-9
    )
    assert found.count == 4


def test_groups_without_a_floor_are_welchs() -> None:
    from scipy.stats import ttest_ind

    given = CASES["groups-plain"]["input"]
    wanted = ttest_ind(given["b"], given["a"], equal_var=False)
    found = pool_groups(given["a"], given["se_a"], given["b"], given["se_b"])
    assert found.value / found.se == pytest.approx(wanted.statistic)
    assert found.df == pytest.approx(wanted.df)


def test_two_doors_a_side_are_too_few() -> None:
    with refuses(TooFewReadingsError, asked="two groups", needed="3 doors a side", came="2 and 6"):
        pool_groups([0.1] * 2, [0.03] * 2, [0.1] * 6, [0.03] * 6)


def test_several_joints_of_a_door_do_not_sharpen_it() -> None:
    assert over_places([0.04, 0.08], [0.03, 0.05]) == pytest.approx((0.06, 0.04))


@pytest.mark.parametrize(
    ("d", "se"), [([], []), ([0.1], [0.1, 0.1]), ([0.1], [0.0]), ([np.nan], [0.1]), ([0.1], [np.inf])]
)
def test_what_is_no_estimate_is_refused(d: list[float], se: list[float]) -> None:
    with refuses(OutOfRangeError, asked="pool differences", needed="", came=""):
        pool(d, se)
