"""Limits, shares and runs against print, statsmodels, and every order counted."""

import csv
from itertools import combinations
from math import comb

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.errors import OutOfRangeError
from server.joinery.scatter import run_chance, share_interval, tolerance_k, welch
from tests.joinery import yard
from tests.refusals import refuses

LAW = settings(derandomize=True, database=None, deadline=None, max_examples=60)
CASES = yard.cases("pieces")
LIMITS = [case for name, case in CASES.items() if "limit" in case["output"]]
FACTORS = [case for case in CASES.values() if set(case["output"]) == {"k"}]
RUNS = [case for name, case in CASES.items() if name.startswith("run-")]


def printed() -> list[tuple[str, int, float, float, str, float]]:
    """Species, n, mean, sd, "confidence|share" and limit of each row of the printed table, N m."""
    text = (yard.PUBLISHED / "joint_tests.csv").read_text("utf-8").splitlines()
    rows = csv.DictReader(line for line in text if not line.startswith("#"))
    by_wood: dict[str, dict[str, float]] = {}
    for row in rows:
        if row["joint"].startswith("T joint, rectangular") and row["n"]:
            by_wood.setdefault(f"{row['species']}/{row['n']}", {})[row["quantity"]] = float(row["value"])
    return [
        (
            wood.split("/")[0],
            int(wood.split("/")[1]),
            told["moment_mean_nm"],
            told["moment_sd_nm"],
            name[-5:],
            value,
        )
        for wood, told in by_wood.items()
        for name, value in told.items()
        if "tolerance" in name
    ]


@pytest.mark.parametrize(("wood", "pieces", "mean", "sd", "level", "limit"), printed())
def test_limits_in_print(wood: str, pieces: int, mean: float, sd: float, level: str, limit: float) -> None:
    """Eckelman, Uysal, Haviarova 2016: 215 red-oak and 140 white-oak joints; their sd is rounded to 1 N m."""
    confidence, share = (int(part) / 100 for part in level.split("|"))
    found = mean - tolerance_k(pieces, confidence=confidence, share=share) * sd
    assert found == pytest.approx(limit, abs=1.5 if (wood, level) == ("red oak", "95|95") else 2.5)


def test_ten_limits_are_in_print() -> None:
    assert len(printed()) == len(LIMITS) == 10


@pytest.mark.parametrize("case", LIMITS, ids=lambda case: case["id"])
def test_limits_to_more_digits(case: dict[str, dict[str, float]]) -> None:
    given = case["input"]
    k = tolerance_k(int(given["n"]), confidence=given["confidence"], share=given["share"])
    assert given["mean"] - k * given["sd"] == pytest.approx(case["output"]["limit"], abs=1e-6)


@pytest.mark.parametrize("case", FACTORS, ids=lambda case: case["id"])
def test_factor_in_print(case: dict[str, dict[str, float]]) -> None:
    """N 40 at 99 % of 90 % is a worked example of the Real Statistics pages; the others are roots."""
    given = case["input"]
    found = tolerance_k(int(given["n"]), confidence=given["confidence"], share=given["share"])
    assert found == pytest.approx(case["output"]["k"], abs=6e-5)


@pytest.mark.parametrize(
    ("pieces", "confidence", "share"), [(5, 0.95, 0.95), (12, 0.95, 0.9), (40, 0.99, 0.9)]
)
def test_factor_by_an_integral_of_its_own(pieces: int, confidence: float, share: float) -> None:
    """P(mean - k s <= quantile) over the chi distribution of s, which knows no non-central t."""
    from scipy.integrate import quad
    from scipy.stats import chi2, norm

    k, df = tolerance_k(pieces, confidence=confidence, share=share), pieces - 1
    quantile = norm.ppf(share)

    def chance(square: float) -> float:
        s = np.sqrt(square / df)
        return float(norm.cdf((k * s - quantile) * np.sqrt(pieces)) * chi2.pdf(square, df))

    assert quad(chance, 0, 20 * df + 60, limit=200)[0] == pytest.approx(confidence, abs=1e-7)


@pytest.mark.parametrize("case", RUNS, ids=lambda case: case["id"])
def test_run_by_counting_every_order(case: dict[str, dict[str, int]]) -> None:
    pieces, failed, run = (case["input"][key] for key in ("n", "glue", "run"))
    longer = 0
    for places in combinations(range(pieces), failed):
        marks = "".join("g" if place in places else "." for place in range(pieces))
        longer += "g" * run in marks
    assert run_chance(pieces, failed, run) == pytest.approx(longer / comb(pieces, failed), abs=1e-12)
    assert run_chance(pieces, failed, run) == pytest.approx(case["output"]["chance"], abs=1e-12)


@LAW
@given(st.integers(1, 14), st.data())
def test_a_longer_run_is_rarer(pieces: int, data: st.DataObject) -> None:
    failed = data.draw(st.integers(0, pieces))
    chances = [run_chance(pieces, failed, run) for run in range(1, pieces + 2)]
    assert (np.diff(chances) <= 1e-12).all()
    assert chances[0] == pytest.approx(float(failed > 0), abs=1e-12)
    assert chances[-1] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(("count", "pieces"), [(4, 10), (0, 6), (6, 6), (1, 30)])
def test_share_as_by_statsmodels(count: int, pieces: int) -> None:
    """Clopper and Pearson, `proportion_confint(method="beta")`."""
    proportion_confint = pytest.importorskip("statsmodels.stats.proportion").proportion_confint
    found = share_interval(count, pieces)
    assert (found.low, found.high) == pytest.approx(
        proportion_confint(count, pieces, method="beta"), abs=1e-9
    )
    if (count, pieces) == (4, 10):
        assert (found.low, found.high) == pytest.approx(
            tuple(CASES["share-4-of-10"]["output"].values()), abs=1e-9
        )


def test_welch_as_by_scipy() -> None:
    from scipy.stats import ttest_ind

    rng = np.random.default_rng(3)
    a, b = rng.normal(700, 40, 7), rng.normal(600, 90, 12)
    wanted = ttest_ind(b, a, equal_var=False)
    interval = wanted.confidence_interval(0.95)
    found = welch(a, b)
    assert (found.low, found.high, found.df) == pytest.approx(
        (interval.low, interval.high, wanted.df), rel=1e-9
    )


def test_pieces_without_scatter() -> None:
    found = welch(np.array([3.0, 3.0]), np.array([5.0, 5.0, 5.0]))
    assert (found.value, found.low, found.high) == (2.0, 2.0, 2.0)


def test_refuses() -> None:
    with refuses(OutOfRangeError, asked="tolerance limit", needed="two pieces", came="1, 0.95, 0.95"):
        tolerance_k(1)
    with refuses(OutOfRangeError, asked="tolerance limit", needed="between 0 and 1", came="1"):
        tolerance_k(10, share=1.0)
    with refuses(OutOfRangeError, asked="share", needed="one piece or more", came="0 of 0"):
        share_interval(0, 0)
    with refuses(OutOfRangeError, asked="run", needed="counts that fit", came="0, 4 of 10"):
        run_chance(10, 4, 0)
