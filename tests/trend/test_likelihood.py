"""The exact likelihood against statsmodels, against dense algebra, and against published series."""

import json
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from server.trend.contrasts import lasting_contrasts
from server.trend.likelihood import Model, Noise, loglik, solved

FloatArray = NDArray[np.float64]

# statsmodels 0.15.0, exact diffuse initialization, ssm.tolerance = 0.
CASES = json.loads((Path(__file__).parents[1] / "published" / "trend_likelihood.json").read_text("utf-8"))[
    "cases"
]
NO_COLUMNS = np.empty(0)


def series(case: dict[str, Any]) -> FloatArray:
    return np.array([np.nan if value is None else value for value in case["y"]], dtype=float)


def model(case: dict[str, Any]) -> Model:
    noise = Noise(
        white=case["white_mm"],
        ar=case["ar_mm"],
        ar_days=case["ar_days"],
        level_per_sqrt_year=case["level_mm_per_sqrt_year"],
        slope_per_year_per_sqrt_year=case["slope_mm_per_year_per_sqrt_year"],
    )
    return Model(noise=noise, slope_start_sd=case["slope_prior_mm_per_year"])


def bundled(name: str) -> Any:
    return getattr(import_module("statsmodels.api").datasets, name).load_pandas().data


def test_the_cases_have_gaps_and_both_starts() -> None:
    assert len(CASES) == 3
    assert all(np.isnan(series(case)).any() for case in CASES)
    assert {case["slope_prior_mm_per_year"] is None for case in CASES} == {True, False}


@pytest.mark.parametrize("case", CASES)
def test_likelihood_equals_statsmodels(case: dict[str, Any]) -> None:
    assert loglik(series(case), model(case)) == pytest.approx(case["loglik"], abs=1e-6)


@pytest.mark.parametrize("case", CASES)
def test_smoothed_states_equal_statsmodels(case: dict[str, Any]) -> None:
    y = series(case)
    states = solved(y, np.empty((y.size, 0)), NO_COLUMNS, model(case)).smoothed()[::25]
    assert states[:, 0] == pytest.approx(case["every_25_days_smoothed_level"], abs=1e-7)
    assert states[:, 1] == pytest.approx(case["every_25_days_smoothed_slope"], abs=1e-7)


def test_coefficients_are_integrated_out_as_dense_algebra_does() -> None:
    """By the full covariance, the level's start very wide; the diffuse value is the limit of ln p + ln sd."""
    rng = np.random.default_rng(3)
    days, wide = 40, 1e4
    columns, prior = rng.normal(size=(days, 2)), np.array([0.3, 2.0])
    noise = Noise(white=0.5, ar=0.4, ar_days=3.0, level_per_sqrt_year=3.0, slope_per_year_per_sqrt_year=9.0)
    y = rng.normal(size=days)
    y[[4, 5, 17]] = np.nan
    seen = np.isfinite(y)
    covariance = dense_covariance(days, noise, slope_sd=0.15, level_sd=wide)
    covariance += (columns * prior**2) @ columns.T
    covariance = covariance[np.ix_(seen, seen)]
    _, log_determinant = np.linalg.slogdet(2 * np.pi * covariance)
    dense = -0.5 * (log_determinant + y[seen] @ np.linalg.solve(covariance, y[seen]))
    dense += np.log(wide)
    found = solved(y, columns, prior, Model(noise=noise))
    assert found.loglik == pytest.approx(dense, abs=1e-5)


def dense_covariance(days: int, noise: Noise, *, slope_sd: float, level_sd: float) -> FloatArray:
    """Covariance of the series' days, by adding up what each day's noise does to all later days."""
    h = 1 / 365.25
    day = np.arange(days)
    total = np.full((days, days), level_sd**2) + slope_sd**2 * h**2 * np.multiply.outer(day, day)
    total += noise.ar**2 * np.exp(-np.abs(np.subtract.outer(day, day)) / noise.ar_days)
    total += np.diag(np.full(days, noise.white**2))
    for born in range(1, days):
        level, slope = (day >= born).astype(float), h * np.maximum(day - born, 0)
        total += noise.level_per_sqrt_year**2 * h * np.multiply.outer(level, level)
        total += noise.slope_per_year_per_sqrt_year**2 * h * np.multiply.outer(slope, slope)
    return np.asarray(total)


def local_level(white_variance: float, level_variance: float) -> Model:
    noise = Noise(white=white_variance**0.5, level_per_sqrt_year=level_variance**0.5)
    return Model(noise=noise, step_years=1.0, has_slope=False, has_ar=False)


def nile() -> FloatArray:
    return np.asarray(bundled("nile")["volume"], dtype=float)


def test_nile_likelihood() -> None:
    """Exact diffuse, at the variances of Durbin and Koopman, sec. 2.10; statsmodels gives the same."""
    assert loglik(nile(), local_level(15098.5, 1469.18)) == pytest.approx(-633.46456, abs=1e-4)


def test_nile_variances() -> None:
    """Durbin and Koopman, Time Series Analysis by State Space Methods, sec. 2.10: 15098.5 and 1469.18."""
    from scipy.optimize import minimize

    y = nile()

    def misfit(log_variances: FloatArray) -> float:
        return -loglik(y, local_level(*np.exp(log_variances)))

    found = np.exp(minimize(misfit, np.log([10000.0, 2000.0]), method="Nelder-Mead", tol=1e-7).x)
    assert found == pytest.approx([15098.5, 1469.18], rel=1e-3)


def nile_step(year: int, model: Model) -> tuple[float, float]:
    """Log-likelihood with the best step in that year, and the step's size."""
    y = nile()
    column = (np.arange(y.size) >= year - 1871).astype(float)[:, None]
    size = solved(y, column, np.array([1e6]), model).coefficients
    return loglik(y, model, column, size), float(size[0])


def test_nile_steps_in_1899() -> None:
    """The dam's year, after Cobb, Biometrika 65 (1978), citation from memory."""
    likely = {year: nile_step(year, local_level(15098.5, 1469.18))[0] for year in range(1875, 1966)}
    first, second = sorted(likely, key=lambda year: -likely[year])[:2]
    assert (first, second) == (1899, 1897)
    assert likely[first] == pytest.approx(-628.24, abs=0.01)


def test_nile_step_is_the_difference_of_means_when_the_level_stands() -> None:
    y = nile()
    difference = y[28:].mean() - y[:28].mean()
    assert nile_step(1899, local_level(15098.5, 1e-3))[1] == pytest.approx(difference, abs=0.01)
    assert nile_step(1899, local_level(15098.5, 1.0))[1] == pytest.approx(-248.6, abs=0.05)


def test_mauna_loa_growth() -> None:
    """Mean of the slope states against (annual mean 2000 - that of 1959) / 41, Keeling's data."""
    data = bundled("co2")["co2"]
    day = (data.index - data.index[0]).days.to_numpy()
    y = np.full(day[-1] + 1, np.nan)
    y[day] = data.to_numpy()
    yearly = data.groupby(data.index.year).mean()
    growth = (yearly[2000] - yearly[1959]) / 41
    turn = 2 * np.pi * np.arange(y.size) / 365.25
    season = np.column_stack([wave(k * turn) for k in range(1, 5) for wave in (np.cos, np.sin)])
    noise = Noise(white=0.2, ar=0.3, level_per_sqrt_year=0.3, slope_per_year_per_sqrt_year=0.3)
    fit = solved(y, season, np.full(8, 10.0), Model(noise=noise, slope_start_sd=None))
    start, stop = (int((np.datetime64(f"{year}-07-01") - data.index[0]).days) for year in (1959, 2000))
    grown = lasting_contrasts(
        fit,
        upto=np.array([stop]),
        reference=(np.arange(y.size) == start).astype(float),
        of_columns=np.zeros((8, 1)),
    )
    found = float(grown.mean[0]) / (stop - start) * 365.25
    assert growth == pytest.approx(1.3036, abs=1e-4)
    assert found == pytest.approx(growth, abs=0.01)
    seen = np.flatnonzero(np.isfinite(y))
    assert abs(np.polyfit(seen / 365.25, y[seen], 1)[0] - growth) > 0.03
