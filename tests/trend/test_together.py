"""Two series in one model, against the sum of each alone and against dense normal distributions."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from server.trend.likelihood import Model, Noise, solved
from server.trend.together import STATES, Shares, Two, contrast, fitted_shares, solved_together

FloatArray = NDArray[np.float64]
RNG = np.random.default_rng(11)
NOISE = (
    Noise(white=0.02, ar=0.03, ar_days=6.0, level_per_sqrt_year=0.3, slope_per_year_per_sqrt_year=0.4),
    Noise(white=0.03, ar=0.02, ar_days=3.0, level_per_sqrt_year=0.2, slope_per_year_per_sqrt_year=0.3),
)
DAYS = 40
YEAR = 1 / 365.25


def two_of(y: FloatArray, noise: tuple[Noise, Noise] = NOISE, *, slope_start_sd: float = 0.15) -> Two:
    days = y.shape[0]
    columns = (np.sin(np.arange(days) / 7.0)[:, None], np.cos(np.arange(days) / 5.0)[:, None])
    return Two(
        y=y,
        columns=columns,
        prior_sd=np.array([0.1, 0.2]),
        noise=noise,
        step_years=YEAR,
        slope_start_sd=slope_start_sd,
    )


SMALL = two_of(np.where(RNG.uniform(size=(DAYS, 2)) < 0.2, np.nan, RNG.normal(0, 0.05, (DAYS, 2))))


def dense_loglik(two: Two, shares: Shares, level_sd: float) -> float:
    """Of all that was seen, its covariance built noise by noise; the first levels are wide, not diffuse."""
    from scipy.stats import multivariate_normal

    days = two.y.shape[0]
    shared = {"level": shares.level, "ar": shares.ar, "slope": shares.slope}
    early = np.minimum.outer(np.arange(days), np.arange(days)).astype(float)
    gaps = np.arange(days)[:, None] - np.arange(days)[None, :]
    covariance = np.zeros((days, 2, days, 2))
    for i in range(2):
        for j in range(2):
            a, b = two.noise[i], two.noise[j]
            alike = {key: 1.0 if i == j else value for key, value in shared.items()}
            level = a.level_per_sqrt_year * b.level_per_sqrt_year * YEAR * alike["level"]
            covariance[:, i, :, j] += level * early
            slope = a.slope_per_year_per_sqrt_year * b.slope_per_year_per_sqrt_year * YEAR * alike["slope"]
            covariance[:, i, :, j] += slope * YEAR**2 * _twice_summed(days)
            left = np.exp(-1 / a.ar_days), np.exp(-1 / b.ar_days)
            moved = a.ar * b.ar * alike["ar"] * np.sqrt((1 - left[0] ** 2) * (1 - left[1] ** 2))
            lag = np.where(gaps >= 0, left[0] ** np.abs(gaps), left[1] ** np.abs(gaps))
            covariance[:, i, :, j] += moved / (1 - left[0] * left[1]) * lag
            if i == j:
                covariance[:, i, :, j] += level_sd**2 + a.white**2 * np.eye(days)
                covariance[:, i, :, j] += (two.slope_start_sd * YEAR) ** 2 * np.outer(
                    np.arange(days), np.arange(days)
                )
                column = two.columns[i] * two.prior_sd[i]
                covariance[:, i, :, j] += column @ column.T
    seen = np.isfinite(two.y).ravel()
    whole = covariance.reshape(2 * days, 2 * days)[np.ix_(seen, seen)]
    return float(
        multivariate_normal(np.zeros(seen.sum()), whole, allow_singular=True).logpdf(two.y.ravel()[seen])
    )


def _twice_summed(days: int) -> FloatArray:
    """Covariance of a walk's own sum: what a slope that walks has moved by each day."""
    steps = np.tril(np.ones((days, days)), -1)
    moved = steps @ steps
    return np.asarray(moved @ moved.T)


@pytest.mark.parametrize("shares", [Shares(level=0.8, ar=0.5, slope=0.3), Shares(level=0.1, ar=0.9)])
def test_likelihood_is_that_of_the_dense_normal_distribution(shares: Shares) -> None:
    """Source: scipy's multivariate normal; two sharings differ by the same, the start's width cancels."""
    ours = solved_together(SMALL, shares).loglik - solved_together(SMALL, Shares()).loglik
    dense = dense_loglik(SMALL, shares, 30.0) - dense_loglik(SMALL, Shares(), 30.0)
    assert ours == pytest.approx(dense, abs=2e-4)


def test_nothing_shared_is_the_two_alone() -> None:
    both = solved_together(SMALL, Shares())
    alone = [
        solved(SMALL.y[:, k], SMALL.columns[k], SMALL.prior_sd[k : k + 1], Model(noise=NOISE[k]))
        for k in range(2)
    ]
    assert both.loglik == pytest.approx(sum(one.loglik for one in alone), abs=1e-8)
    assert both.coefficients == pytest.approx([one.coefficients[0] for one in alone], abs=1e-10)


def _swayed(share: float) -> Two:
    rng, days = np.random.default_rng(4), 900
    common = rng.normal(0, 1, days)
    level = np.sqrt(share) * common[:, None] + np.sqrt(1 - share) * rng.normal(0, 1, (days, 2))
    y = np.cumsum(0.15 * np.sqrt(YEAR) * level, axis=0) + rng.normal(0, 0.01, (days, 2))
    noise = Noise(white=0.01, ar=0.001, level_per_sqrt_year=0.15, slope_per_year_per_sqrt_year=0.01)
    return two_of(y, (noise, noise))


@pytest.mark.parametrize(("share", "low", "high"), [(0.9, 0.8, 0.97), (0.0, 0.0, 0.2)])
def test_what_is_shared_is_found(share: float, low: float, high: float) -> None:
    assert low <= fitted_shares(_swayed(share)).level <= high


def test_what_is_shared_cancels_in_the_difference() -> None:
    two = _swayed(0.9)
    of_states = np.zeros((900, STATES))
    of_states[-1, :2] = -1.0, 1.0
    of_states[0, :2] = 1.0, -1.0
    errors = [
        contrast(solved_together(two, shares), of_states.ravel(), np.zeros(2))[1]
        for shares in (Shares(), Shares(level=0.9))
    ]
    assert errors[1] < 0.8 * errors[0]


def test_a_column_of_one_says_nothing_of_the_other() -> None:
    alone = replace(SMALL, y=np.column_stack([SMALL.y[:, 0], np.full(DAYS, np.nan)]))
    assert solved_together(alone, Shares()).coefficients[1] == pytest.approx(0.0, abs=1e-12)
