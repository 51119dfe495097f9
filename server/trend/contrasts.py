"""What a solved series says of any sum of its states and coefficients, with the error of it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.trend.likelihood import Solved

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Contrasts:
    """Means of shape (any,) and what their errors are made of."""

    mean: FloatArray
    states_share: FloatArray
    """c' Omega^-1 c of each: the variance that the states alone leave."""
    leverage: FloatArray
    """How each rests on the columns' coefficients, shape (columns, any)."""
    covariance: FloatArray
    """Of the coefficients, shape (columns, columns)."""

    def standard_errors(self) -> FloatArray:
        """Standard error of each."""
        shared = np.einsum("ij,ij->j", self.leverage, self.covariance @ self.leverage)
        return np.asarray(np.sqrt(self.states_share + shared))

    def standard_errors_knowing(self, known: BoolArray) -> FloatArray:
        """Standard error of each, had the coefficients of the columns `known` been known."""
        precision = np.linalg.inv(self.covariance)[np.ix_(~known, ~known)]
        left = self.leverage[~known]
        shared = np.einsum("ij,ij->j", left, np.linalg.solve(precision, left))
        return np.asarray(np.sqrt(self.states_share + shared))


@dataclass(frozen=True, slots=True, kw_only=True)
class LastDay:
    """Joint posterior of the last day's states and of the coefficients: what a night's update starts from."""

    mean: FloatArray
    covariance: FloatArray


def lasting_contrasts(
    fit: Solved, *, upto: NDArray[np.int64], reference: FloatArray, of_columns: FloatArray
) -> Contrasts:
    """The sum of slopes before each place in `upto`, less their mean before the days that `reference` weighs.

    upto: places (0 to days - 1), shape (any,); reference: weights of shape (days,) that add up to 1;
    of_columns: (columns, any).
    """
    # A mean of sums before weighed days counts each slope by the weight of the days after it.
    all_days = _half_of_slopes(fit, np.cumsum(reference) + (1.0 - reference.sum()))
    before = np.concatenate([[0.0], np.cumsum(all_days**2)])
    mean, states_share = np.empty(upto.size), np.empty(upto.size)
    leverage = np.empty(of_columns.shape)
    ended, whole = fit.half_columns.T @ all_days, float(all_days @ fit.half_residual)
    for at, place in enumerate(upto):
        # What comes from that place on is taken off again: before it that is nothing.
        since = int(place) * fit.factor.model.states
        after = _half_of_slopes(fit, np.ones(reference.size - place), since=since)
        left = all_days[since:] - after
        mean[at] = whole - after @ fit.half_residual[since:]
        states_share[at] = before[since] + left @ left
        leverage[:, at] = of_columns[:, at] - (ended - fit.half_columns[since:].T @ after)
    return Contrasts(
        mean=mean + of_columns.T @ fit.coefficients,
        states_share=states_share,
        leverage=leverage,
        covariance=fit.covariance,
    )


def _half_of_slopes(fit: Solved, weight: FloatArray, *, since: int = 0) -> FloatArray:
    """L^-1 of slopes weighed by days, as `half_from` gives it; shape (weight's days x states,)."""
    model = fit.factor.model
    slopes = np.zeros((weight.size * model.states, 1), order="F")
    slopes[1 :: model.states, 0] = model.step_years * weight
    return np.asarray(fit.factor.half_from(slopes, since=since)[:, 0])


def last_day(fit: Solved) -> LastDay:
    """Joint posterior of (states of the last day, coefficients)."""
    p = fit.factor.model.states
    # of the last day's states the half is itself of the last day: all before it is 0
    half = np.linalg.inv(_last_block(fit.factor.chol, p))
    by_columns = half.T @ fit.half_columns[-p:]
    crossed = -by_columns @ fit.covariance
    alone = half.T @ half + by_columns @ fit.covariance @ by_columns.T
    return LastDay(
        mean=np.concatenate([half.T @ fit.half_residual[-p:], fit.coefficients]),
        covariance=np.block([[alone, crossed], [crossed.T, fit.covariance]]),
    )


def _last_block(chol: FloatArray, states: int) -> FloatArray:
    """The last day's own part of the lower Cholesky factor, shape (states, states), of its upper band."""
    block = np.zeros((states, states))
    for below in range(states):
        block += np.diag(chol[-1 - below, chol.shape[1] - states + below :], -below)
    return block
