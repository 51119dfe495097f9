"""When a joint that began to move will reach a limit: onset and growth weighed, paths drawn.

For a series with an alarm alone: the posterior of one that is quiet has no onset in it.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from server.errors import OutOfRangeError, TooFewReadingsError
from server.trend.answer import PLUGGED_IN, Decomposition, Fit
from server.trend.columns import creep_column
from server.trend.likelihood import Model, Solved, solved
from server.trend.prepare import FIT_DAYS
from server.trend.series import DAYS_PER_YEAR

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

POWERS, RATES = (1.0, 1.4, 1.8, 2.4), (0.5, 1.0, 1.8)
LAWS = len(POWERS) + len(RATES)
LAW_PRIOR = np.repeat([0.5 / len(POWERS), 0.5 / len(RATES)], [len(POWERS), len(RATES)])
ONSETS, YOUNGEST_ONSET_DAYS = 40, 25
SLOPE_NOISE, LEVEL_NOISE, SLOPE_START = 0.12, 0.06, 0.06
"""These allow for the law of growth being wrong."""
HORIZON_YEARS, STEP_DAYS, OPEN_WITHIN_DAYS, SEASON_DAYS = 10, 10, 60, 24
TOLD_YEARS = (1, 2, 5, 10)


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """Days since hanging between which a limit is reached in 95 of 100 cases."""

    earliest_day: int
    median_day: int
    latest_day: int | None
    """None: not within ten years."""
    probability_by: dict[int, float]
    """By so many years from the last day."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Now:
    """What is moved and how fast, were there no onset: mean (2,), covariance (2, 2)."""

    mean: FloatArray
    covariance: FloatArray
    given_way: FloatArray
    """By how much each falls for an amplitude of 1, shape (2, cells)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Paths:
    """Draws ahead: cells (draws,), amplitudes (draws,), moved and slope (draws, 2)."""

    cell: IntArray
    amplitude: FloatArray
    now: FloatArray


def forecast(
    decomposition: Decomposition, limit: float, rng: np.random.Generator, *, draws: int = 3000
) -> Forecast:
    """The days at which the lasting part, less its value on the settled day, reaches `limit`.

    limit: in the gauge's own unit. Raises TooFewReadingsError where nothing was fitted or the settled day is
    not long enough ago, OutOfRangeError for a limit that is not above 0 or for no draws.
    """
    fit = decomposition.fit
    if not (limit > 0 and np.isfinite(limit) and draws > 0):
        raise OutOfRangeError("date of a limit", "a limit and draws above 0", f"{limit:g} and {draws}")
    days = decomposition.day.size
    if fit is None or days - YOUNGEST_ONSET_DAYS <= fit.settled:
        raise TooFewReadingsError("date of a limit", f"a fit, from {FIT_DAYS} days on", f"{days} days")
    again = _loosened(fit)
    growth = _growth(np.arange(days), fit.settled, days)
    white = again.factor.whitened(growth)
    by_columns = again.columns.T @ white
    explained = np.einsum("ij,ij->j", by_columns, again.covariance @ by_columns)
    info = np.einsum("ij,ij->j", growth, white) - explained + 1.0
    gain = white.T @ again.residual
    now = _now(fit, again, growth, by_columns)
    paths = _drawn(info, gain, growth[-1] - growth[fit.settled], now, rng=rng, draws=draws)
    date = _dates(fit, again, paths, limit / fit.scale, rng)
    return _told(date, int(fit.day[-1]))


def _loosened(fit: Fit) -> Solved:
    factor = fit.solved.factor
    noise = replace(
        factor.model.noise,
        slope_per_year_per_sqrt_year=SLOPE_NOISE,
        level_per_sqrt_year=max(factor.model.noise.level_per_sqrt_year, LEVEL_NOISE),
    )
    y = fit.solved.residual + fit.columns.values @ fit.solved.coefficients
    y = np.where(factor.observed, y, np.nan)
    model = Model(noise=noise, slope_start_sd=SLOPE_START)
    return solved(y, fit.columns.values, fit.columns.prior_sd, model)


def _growth(place: IntArray, settled: int, days: int) -> FloatArray:
    """Growth since each onset by each law, shape (places, onsets x laws)."""
    onset = np.linspace(settled, days - YOUNGEST_ONSET_DAYS, ONSETS)
    years = np.maximum(place[:, None] - onset, 0.0) / DAYS_PER_YEAR
    laws = [years**power for power in POWERS] + [np.expm1(rate * years) / rate for rate in RATES]
    return np.stack(laws, axis=2).reshape(place.size, -1)


def _now(fit: Fit, again: Solved, growth: FloatArray, by_columns: FloatArray) -> _Now:
    days, model = fit.day.size, again.factor.model
    states = np.zeros((days * model.states, 2), order="F")
    place = np.arange(days)
    states[1 :: model.states, 0] = model.step_years * ((place >= fit.settled) & (place < days - 1))
    states[-model.states + 1, 1] = 1.0
    of_columns = np.zeros((again.columns.shape[1], 2))
    creep = fit.columns.values[:, fit.columns.creep]
    of_columns[fit.columns.creep, 0] = creep[-1] - creep[fit.settled]
    gain = again.factor.states_from(states)
    seen = again.factor.gather(gain) * (again.factor.observed / model.noise.white**2)[:, None]
    leverage = of_columns - again.columns.T @ seen
    by_coefficients = leverage.T @ again.covariance
    mean = seen.T @ again.residual + of_columns.T @ again.coefficients
    return _Now(
        mean=mean + fit.columns.creep_mean * of_columns[fit.columns.creep],
        covariance=PLUGGED_IN**2 * (states.T @ gain + by_coefficients @ leverage),
        given_way=seen.T @ growth + by_coefficients @ by_columns,
    )


def _drawn(
    info: FloatArray, gain: FloatArray, moved: FloatArray, now: _Now, *, rng: np.random.Generator, draws: int
) -> _Paths:
    from scipy.special import log_ndtr
    from scipy.stats import truncnorm

    log_weight = gain**2 / (2 * info) - np.log(info) / 2 + log_ndtr(gain / np.sqrt(info))
    log_weight += np.log(np.tile(LAW_PRIOR, ONSETS))
    weight = np.exp(log_weight - log_weight.max())
    cell = rng.choice(info.size, size=draws, p=weight / weight.sum())
    middle, spread = gain[cell] / info[cell], PLUGGED_IN / np.sqrt(info[cell])
    above = truncnorm.ppf(rng.uniform(size=draws), -middle / spread, np.inf)
    amplitude = np.maximum(middle + spread * above, 0.0)
    at = rng.multivariate_normal(now.mean, now.covariance, size=draws, method="cholesky")
    at -= amplitude[:, None] * now.given_way[:, cell].T
    at[:, 0] += amplitude * moved[cell]
    return _Paths(cell=cell, amplitude=amplitude, now=at)


def _dates(fit: Fit, again: Solved, paths: _Paths, limit: float, rng: np.random.Generator) -> FloatArray:
    """Days from the last one until each path is at the limit; infinite where it is not in ten years."""
    days = fit.day.size
    ahead = np.arange(0, round(HORIZON_YEARS * DAYS_PER_YEAR) + 1, STEP_DAYS)
    growth = _growth(days - 1 + ahead, fit.settled, days)
    creep = creep_column(fit.day[-1] + ahead)
    coefficient = fit.columns.creep_mean + again.coefficients[fit.columns.creep]
    years = ahead / DAYS_PER_YEAR
    draws = paths.cell.size
    path = paths.now[:, :1] + paths.amplitude[:, None] * (growth - growth[0]).T[paths.cell]
    path += paths.now[:, 1:] * years
    path += rng.normal(size=(draws, 1)) * SLOPE_NOISE * years**1.5 / np.sqrt(3)
    path += coefficient * (creep - creep[0])
    reached = path >= limit
    date = np.where(reached.any(axis=1), ahead[np.argmax(reached, axis=1)].astype(float), np.inf)
    return np.maximum(date + rng.normal(0.0, SEASON_DAYS, draws), 0.0)


def _told(date: FloatArray, last: int) -> Forecast:
    horizon = HORIZON_YEARS * DAYS_PER_YEAR
    bounded = np.minimum(date, horizon)
    earliest, median, latest = (float(q) for q in np.quantile(bounded, [0.025, 0.5, 0.975]))
    return Forecast(
        earliest_day=last + round(earliest),
        median_day=last + round(median),
        latest_day=last + round(latest) if latest < horizon - OPEN_WITHIN_DAYS else None,
        probability_by={years: float(np.mean(date <= years * DAYS_PER_YEAR)) for years in TOLD_YEARS},
    )
