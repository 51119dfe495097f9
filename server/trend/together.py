"""Two series solved as one: each with its own states, their noises correlated by as much as the two share.

With nothing shared it is the two solved apart; with much, what moves both cancels in their difference.
Unknowns are ordered day by day: levels of a and b, slopes, lagging noises.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from server.trend.likelihood import Noise

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

STATES = 6
LEVELS, SLOPES, LAGS = slice(0, 2), slice(2, 4), slice(4, 6)
MOST_SHARED = 0.98
SHARE_SD = np.array([1.5, 1.5, 0.5])
"""Of artanh of what is shared of level, lag and slope noise, about none: how fast two doors part is asked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shares:
    """Correlation of the two series' noises, each from 0 to 0.98."""

    level: float = 0.0
    ar: float = 0.0
    slope: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Two:
    """Two series over their scale: values (days, 2), NaN where not seen; each one's columns and noise."""

    y: FloatArray
    columns: tuple[FloatArray, FloatArray]
    prior_sd: FloatArray
    """Of the columns of a, then of b."""
    noise: tuple[Noise, Noise]
    step_years: float
    slope_start_sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoSolved:
    """The posterior of both series under what they share."""

    two: Two
    chol: FloatArray
    """Lower banded factor of the states' precision, shape (12, days x 6)."""
    coefficients: FloatArray
    covariance: FloatArray
    residual: FloatArray
    """Shape (days, 2); 0 where not seen."""
    loglik: float

    def states_from(self, right: FloatArray) -> FloatArray:
        """Omega^-1 times each column of `right`, shape (days x 6, any)."""
        from scipy.linalg import cho_solve_banded

        return np.asarray(cho_solve_banded((self.chol, True), right, check_finite=False))


def solved_together(two: Two, shares: Shares) -> TwoSolved:
    """Both series' coefficients, integrated over their states.

    Raises numpy.linalg.LinAlgError where the precision cannot be factorised.
    """
    from scipy.linalg import cholesky_banded

    move = _transition(two)
    seen = np.isfinite(two.y)
    chol = np.asarray(cholesky_banded(_band(two, seen, move, shares), lower=True, check_finite=False))
    empty = TwoSolved(
        two=two,
        chol=chol,
        coefficients=np.empty(0),
        covariance=np.empty((0, 0)),
        residual=np.empty((0, 2)),
        loglik=0.0,
    )
    values = _stacked(two, seen)
    gram = np.einsum("tsi,tsj->ij", values, _whitened(empty, seen, values))
    precision = gram[1:, 1:] + np.diag(two.prior_sd**-2.0)
    covariance: FloatArray = np.asarray(np.linalg.inv(precision), dtype=float)
    coefficients = covariance @ gram[1:, 0]
    misfit = gram[0, 0] - gram[1:, 0] @ coefficients + np.linalg.slogdet(precision)[1]
    misfit += 2 * np.log(two.prior_sd).sum()
    white = np.array([one.white for one in two.noise])
    constant = (seen * np.log(2 * np.pi * white**2)).sum() + 2 * np.log(chol[0]).sum()
    constant -= _log_determinant(two, shares, seen.shape[0])
    residual = values[:, :, 0] - values[:, :, 1:] @ coefficients
    return replace(
        empty,
        coefficients=coefficients,
        covariance=covariance,
        residual=residual,
        loglik=float(-0.5 * (constant + misfit)),
    )


def contrast(fit: TwoSolved, of_states: FloatArray, of_columns: FloatArray) -> tuple[float, float]:
    """Mean and standard error of of_states' alpha + of_columns' beta; shapes (days x 6,) and (columns,)."""
    gain = fit.states_from(of_states[:, None])
    seen = np.isfinite(fit.two.y)
    weight = seen / np.array([one.white for one in fit.two.noise]) ** 2
    by_day = gain.reshape(-1, STATES)
    at = (by_day[:, LEVELS] + by_day[:, LAGS]) * weight
    leverage = of_columns - np.einsum("ts,tsi->i", at, _stacked(fit.two, seen)[:, :, 1:])
    mean = float((at * fit.residual).sum() + of_columns @ fit.coefficients)
    variance = float(of_states @ gain[:, 0] + leverage @ fit.covariance @ leverage)
    return mean, float(np.sqrt(variance))


def fitted_shares(two: Two) -> Shares:
    """What is most probably shared, each kind of noise by itself, none being the likeliest beforehand."""
    from scipy.optimize import minimize

    def unlikely(theta: FloatArray) -> float:
        try:
            fit = solved_together(two, _shares_of(theta))
        except np.linalg.LinAlgError:
            return 1e12
        return -fit.loglik + 0.5 * float(((theta / SHARE_SD) ** 2).sum())

    most = float(np.arctanh(MOST_SHARED))
    found = minimize(
        unlikely,
        np.array([0.2, 0.2, 0.1]),
        method="L-BFGS-B",
        bounds=[(0.0, most)] * 3,
        options={"maxiter": 12, "ftol": 1e-6, "eps": 1e-3},
    )
    return _shares_of(found.x)


def _shares_of(theta: FloatArray) -> Shares:
    level, ar, slope = (float(value) for value in np.tanh(theta))
    return Shares(level=level, ar=ar, slope=slope)


def _stacked(two: Two, seen: BoolArray) -> FloatArray:
    """Series and columns side by side, shape (days, 2, 1 + columns); 0 where not seen or not its own."""
    a, b = two.columns
    values = np.zeros((*seen.shape, 1 + a.shape[1] + b.shape[1]))
    values[:, :, 0] = np.where(seen, two.y, 0.0)
    values[:, 0, 1 : 1 + a.shape[1]] = a * seen[:, :1]
    values[:, 1, 1 + a.shape[1] :] = b * seen[:, 1:]
    return values


def _whitened(fit: TwoSolved, seen: BoolArray, values: FloatArray) -> FloatArray:
    """Sigma^-1 values, shape (days, 2, any)."""
    weight = (seen / np.array([one.white for one in fit.two.noise]) ** 2)[:, :, None]
    weighed = values * weight
    spread = np.zeros((seen.shape[0], STATES, values.shape[2]))
    spread[:, LEVELS] = spread[:, LAGS] = weighed
    states = fit.states_from(spread.reshape(-1, values.shape[2])).reshape(spread.shape)
    return np.asarray(weighed - (states[:, LEVELS] + states[:, LAGS]) * weight)


def _transition(two: Two) -> FloatArray:
    move = np.eye(STATES)
    move[LEVELS, SLOPES] = two.step_years * np.eye(2)
    move[LAGS, LAGS] = np.diag([_phi(one) for one in two.noise])
    return move


def _phi(noise: Noise) -> float:
    return float(np.exp(-1.0 / noise.ar_days))


def _pair(sizes: FloatArray, share: float) -> FloatArray:
    """Covariance of two noises of these sizes."""
    return np.asarray(np.outer(sizes, sizes) * np.array([[1.0, share], [share, 1.0]]))


def _spread(two: Two, shares: Shares) -> FloatArray:
    """Covariance of a day's noises, shape (6, 6)."""
    h = two.step_years
    level = np.array([one.level_per_sqrt_year for one in two.noise]) * np.sqrt(h)
    slope = np.array([one.slope_per_year_per_sqrt_year for one in two.noise]) * np.sqrt(h)
    lag = np.array([one.ar * np.sqrt(1 - _phi(one) ** 2) for one in two.noise])
    spread = np.zeros((STATES, STATES))
    spread[LEVELS, LEVELS] = _pair(level, shares.level)
    spread[SLOPES, SLOPES] = _pair(slope, shares.slope)
    spread[LAGS, LAGS] = _pair(lag, shares.ar)
    return spread


def _start(two: Two, shares: Shares) -> FloatArray:
    """Precision of the first day: levels diffuse, slopes by their prior, lagging noises stationary."""
    start = np.zeros((STATES, STATES))
    start[SLOPES, SLOPES] = np.eye(2) / two.slope_start_sd**2
    start[LAGS, LAGS] = np.linalg.inv(_lag_start(two, shares))
    return start


def _lag_start(two: Two, shares: Shares) -> FloatArray:
    left = np.array([_phi(one) for one in two.noise])
    moved = _spread(two, shares)[LAGS, LAGS]
    return np.asarray(moved / (1 - np.outer(left, left)))


def _band(two: Two, seen: BoolArray, move: FloatArray, shares: Shares) -> FloatArray:
    """Lower band of the states' posterior precision: band[d, j] = Omega[j + d, j]."""
    days = seen.shape[0]
    arrives = np.linalg.inv(_spread(two, shares))
    leaves = move.T @ arrives @ move
    diagonal = np.tile(arrives + leaves, (days, 1, 1))
    diagonal[0] = leaves + _start(two, shares)
    diagonal[-1] -= leaves
    data = seen / np.array([one.white for one in two.noise]) ** 2
    for one in range(2):
        level, lag = LEVELS.start + one, LAGS.start + one
        for row, column in ((level, level), (level, lag), (lag, level), (lag, lag)):
            diagonal[:, row, column] += data[:, one]
    below = -arrives @ move
    band = np.zeros((2 * STATES, days, STATES))
    for column in range(STATES):
        for row in range(STATES):
            if row >= column:
                band[row - column, :, column] = diagonal[:, row, column]
            band[STATES + row - column, :-1, column] = below[row, column]
    return band.reshape(2 * STATES, -1)


def _log_determinant(two: Two, shares: Shares, days: int) -> float:
    """Log determinant of the proper part of the states' prior precision."""
    total = -(days - 1) * np.linalg.slogdet(_spread(two, shares))[1]
    total -= 4 * np.log(two.slope_start_sd)
    return float(total - np.linalg.slogdet(_lag_start(two, shares))[1])
