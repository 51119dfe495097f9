"""The noise: most probable given the series and its prior, and no more sure than that."""

from dataclasses import astuple, replace

import numpy as np
import pytest

from server.trend.climate import whole_climate
from server.trend.columns import USUAL_CELL, Columns, made_columns, nearest_cell
from server.trend.likelihood import Model, Noise, solved
from server.trend.noise import PRIOR_SD, fitted_noise, noise_of, with_noise
from tests.trend.records import FloatArray, record

DAILY = record(730)
NAMES = ("white", "ar", "ar_days", "level_per_sqrt_year", "slope_per_year_per_sqrt_year")


def columns() -> Columns:
    climate = whole_climate(DAILY.day, DAILY.temp_c, DAILY.rh_pct)
    assert climate is not None
    return made_columns(DAILY.day, climate, nearest_cell(USUAL_CELL), ())


def fitted(y: FloatArray, *, start: Noise | None = None, medians: Noise | None = None) -> Noise:
    usual = medians or Noise()
    return fitted_noise(y, columns(), medians=usual, start=start or usual, iterations=40)


def posterior(y: FloatArray, noise: Noise) -> float:
    """Log of likelihood times prior; the prior's medians and spreads as the design's page has them."""
    off = np.log(np.array(astuple(noise)) / [0.02, 0.03, 6.0, 0.03, 0.03]) / [0.6, 0.6, 0.6, 0.4, 0.8]
    cols = columns()
    return solved(y, cols.values, cols.prior_sd, Model(noise=noise)).loglik - 0.5 * float((off**2).sum())


@pytest.mark.parametrize(("days", "more_noise", "factor"), [(730, 0.0, 1.15), (12, 0.2, 1.03)])
def test_no_neighbour_is_more_probable(days: int, more_noise: float, factor: float) -> None:
    """Of 12 noisy days the prior decides much: another one would put the best elsewhere."""
    noisy = DAILY.value + np.random.default_rng(6).normal(0, more_noise, DAILY.day.size)
    y = np.where(DAILY.day < days, noisy, np.nan)
    found = fitted(y)
    best = posterior(y, found)
    assert best > posterior(y, Noise())
    for name in NAMES:
        for by in (factor, 1 / factor):
            assert posterior(y, replace(found, **{name: getattr(found, name) * by})) < best


def test_start_does_not_matter() -> None:
    first = fitted(DAILY.value)
    second = fitted(DAILY.value, start=Noise(white=0.01, ar=0.05, ar_days=3.0))
    assert np.log(astuple(second)) == pytest.approx(np.log(astuple(first)), abs=0.1)


def test_one_day_seen_leaves_the_medians() -> None:
    y = np.where(DAILY.day < 1, DAILY.value, np.nan)
    assert np.log(astuple(fitted(y))) == pytest.approx(np.log(astuple(Noise())), abs=0.01)


def test_a_noisier_gauge_is_seen_to_be_one() -> None:
    """White noise of 0.02 mm by construction, then of 0.06; no lagging noise at all."""
    rng = np.random.default_rng(5)
    noisy = DAILY.value + rng.normal(0, np.sqrt(0.06**2 - 0.02**2), DAILY.day.size)
    assert np.hypot(fitted(DAILY.value).white, fitted(DAILY.value).ar) == pytest.approx(0.021, abs=0.004)
    assert fitted(noisy).white == pytest.approx(0.06, rel=0.15)


def test_search_stays_where_the_precision_can_be_factorised() -> None:
    found = fitted(np.where(DAILY.day < 300, 0.0, np.nan))
    assert np.all(np.abs(np.log(np.array(astuple(found)) / astuple(Noise()))) <= 2.5 + 1e-9)


def test_each_size_keeps_its_name() -> None:
    noise = Noise(white=0.1, ar=0.2, ar_days=3.0, level_per_sqrt_year=0.4, slope_per_year_per_sqrt_year=0.5)
    assert astuple(noise_of(np.log(astuple(noise)))) == pytest.approx(astuple(noise))
    assert PRIOR_SD.tolist() == [0.6, 0.6, 0.6, 0.4, 0.8]
    model = Model(slope_start_sd=0.2, step_years=0.5)
    assert with_noise(model, noise) == replace(model, noise=noise)


def test_a_record_without_any_wander_is_still_given_some() -> None:
    """Half the median at least: this project's own figure, from simulated doors."""
    still = fitted(0.001 * np.sin(DAILY.day / 3.0), medians=Noise(white=0.005, ar=0.005))
    assert still.level_per_sqrt_year == pytest.approx(0.5 * Noise().level_per_sqrt_year)
    assert fitted(DAILY.value).level_per_sqrt_year > 0.5 * Noise().level_per_sqrt_year
