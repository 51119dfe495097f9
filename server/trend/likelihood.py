"""The exact likelihood of a daily series: level, slope and lagging noise, by one banded factorisation.

    y_t = level_t + ar_t + sum of coefficients x columns_t + white_t          white only on observed days
    level_{t+1} = level_t + h slope_t + noise,   slope_{t+1} = slope_t + noise,   ar_{t+1} = phi ar_t + noise

Unknowns are ordered day by day, so their posterior precision is banded, as wide as there are states a day.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from server.trend.series import DAYS_PER_YEAR

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Sizes of the noises, in the unit of the series; the defaults are the prior medians for sag in mm."""

    white: float = 0.02
    ar: float = 0.03
    """Stationary standard deviation of the lagging noise."""
    ar_days: float = 6.0
    level_per_sqrt_year: float = 0.03
    slope_per_year_per_sqrt_year: float = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class Model:
    """Which states there are, and their noises. The level always starts exactly diffuse."""

    noise: Noise = field(default_factory=Noise)
    step_years: float = 1.0 / DAYS_PER_YEAR
    slope_start_sd: float | None = 0.15
    """Standard deviation of the first slope about 0; None is exactly diffuse."""
    has_slope: bool = True
    has_ar: bool = True

    @property
    def states(self) -> int:
        """States a day: the level, then the slope, then the lagging noise, of those there are."""
        return 1 + self.has_slope + self.has_ar

    @property
    def ar_place(self) -> int:
        """Place of the lagging noise among the states of a day."""
        return self.states - 1

    @property
    def phi(self) -> float:
        """What is left of the lagging noise after a day."""
        return float(np.exp(-1.0 / self.noise.ar_days))


@dataclass(frozen=True, slots=True, kw_only=True)
class Factor:
    """The factorised precision of the states, given which days were observed."""

    model: Model
    observed: BoolArray
    chol: FloatArray
    """L', L the lower Cholesky factor, as LAPACK keeps an upper band; shape (states + 1, days x states).

    Solving with it takes a sixth less time than with the lower band: each row is a product, not many sums.
    """
    constant: float
    """What the log-likelihood holds beside the residual: minus twice it, less r' Sigma^-1 r."""

    def states_from(self, right: FloatArray) -> FloatArray:
        """Omega^-1 times each column of `right`, shape (days x states, any)."""
        from scipy.linalg import cho_solve_banded

        # The parts are finite by construction; the check costs as much as the solve.
        return np.asarray(cho_solve_banded((self.chol, False), right, check_finite=False))

    def half_from(self, right: FloatArray, *, since: int = 0) -> FloatArray:
        """L^-1 times each column, L the Cholesky factor: half the way to `states_from`, at half its cost.

        right: shape (days x states, any), column by column (order "F") and given up to this; without its
        first `since` rows where those are 0, as they are in what is given then.
        """
        from scipy.linalg.lapack import dtbtrs

        half, _ = dtbtrs(self.chol[:, since:], right, uplo="U", trans="T", overwrite_b=1)
        return np.asarray(half)

    def states_from_half(self, half: FloatArray) -> FloatArray:
        """Omega^-1 times what `half_from` was given, shape (days x states, any)."""
        from scipy.linalg.lapack import dtbtrs

        states, _ = dtbtrs(self.chol, half, uplo="U")
        return np.asarray(states)

    def spread(self, values: FloatArray) -> FloatArray:
        """Z' values / white^2: shape (days, any) to (days x states, any); unseen days give nothing."""
        p, days = self.model.states, self.observed.size
        weighed = values * (self.observed / self.model.noise.white**2)[:, None]
        out = np.zeros((days * p, values.shape[1]), order="F")
        out[::p] = weighed
        if self.model.has_ar:
            out[self.model.ar_place :: p] = weighed
        return out

    def gather(self, states: FloatArray) -> FloatArray:
        """Z states: what a day's states add to the series, shape (days, any)."""
        p = self.model.states
        if self.model.has_ar:
            return np.asarray(states[::p] + states[self.model.ar_place :: p])
        return np.asarray(states[::p])

    def whitened(self, values: FloatArray) -> FloatArray:
        """Sigma^-1 values, shape (days, any): Sigma is the series' covariance given the coefficients."""
        explained = self.gather(self.states_from(self.spread(values)))
        return np.asarray((values - explained) * (self.observed / self.model.noise.white**2)[:, None])


@dataclass(frozen=True, slots=True, kw_only=True)
class Solved:
    """The posterior of the columns' coefficients, and what is needed to ask for anything else."""

    factor: Factor
    columns: FloatArray
    prior_sd: FloatArray
    coefficients: FloatArray
    covariance: FloatArray
    residual: FloatArray
    """Series less columns times coefficients; 0 on unseen days."""
    half_residual: FloatArray
    """L^-1 Z' residual / white^2, shape (days x states,)."""
    half_columns: FloatArray
    """Of each column likewise, shape (days x states, columns)."""
    loglik: float
    """Coefficients integrated out."""

    def smoothed(self) -> FloatArray:
        """Posterior mean of the states, shape (days, states)."""
        states = self.factor.states_from_half(self.half_residual[:, None])
        return np.asarray(states.reshape(-1, self.factor.model.states))


def factorised(observed: BoolArray, model: Model) -> Factor:
    """Factorise the precision of the states. Raises numpy.linalg.LinAlgError where it is not positive."""
    from scipy.linalg import cholesky_banded

    chol = np.asarray(cholesky_banded(_upper(_precision(observed, model)), check_finite=False))
    seen = int(observed.sum())
    constant = (
        seen * np.log(2 * np.pi * model.noise.white**2)
        + 2 * np.log(chol[-1]).sum()
        - _log_determinant(observed.size, model)
    )
    return Factor(model=model, observed=observed, chol=chol, constant=float(constant))


def solved(y: FloatArray, columns: FloatArray, prior_sd: FloatArray, model: Model) -> Solved:
    """Posterior of the columns' coefficients, each with prior N(0, prior_sd^2).

    y: shape (days,), NaN is not observed; columns: (days, any), no NaN; prior_sd: (any,).
    """
    observed = np.isfinite(y)
    factor = factorised(observed, model)
    seen = np.where(observed, y, 0.0)
    together = np.column_stack([seen, columns])
    half = factor.half_from(factor.spread(together))
    # together' Sigma^-1 together, by Sigma^-1 = (1 - Z Omega^-1 Z' / white^2) / white^2
    gram = together.T @ (together * (observed / model.noise.white**2)[:, None]) - half.T @ half
    precision = gram[1:, 1:] + np.diag(prior_sd**-2.0)
    covariance: FloatArray = np.asarray(np.linalg.inv(precision), dtype=float)
    coefficients = covariance @ gram[1:, 0]
    misfit = (
        gram[0, 0] - gram[1:, 0] @ coefficients + np.linalg.slogdet(precision)[1] + 2 * np.log(prior_sd).sum()
    )
    return Solved(
        factor=factor,
        columns=columns,
        prior_sd=prior_sd,
        coefficients=coefficients,
        covariance=covariance,
        residual=np.where(observed, seen - columns @ coefficients, 0.0),
        half_residual=half[:, 0] - half[:, 1:] @ coefficients,
        half_columns=half[:, 1:],
        loglik=float(-0.5 * (factor.constant + misfit)),
    )


def loglik(
    y: FloatArray,
    model: Model,
    columns: FloatArray | None = None,
    coefficients: FloatArray | None = None,
) -> float:
    """Exact diffuse log-likelihood of a series given its columns' coefficients.

    y: shape (days,), NaN is not observed; columns: (days, any) with coefficients (any,), or neither.
    Source: the diffuse limit of Durbin and Koopman, Time Series Analysis by State Space Methods, ch. 5.
    """
    known = np.zeros(y.size) if columns is None or coefficients is None else columns @ coefficients
    nothing = np.empty((y.size, 0))
    return solved(y - known, nothing, np.empty(0), model).loglik


def _precision(observed: BoolArray, model: Model) -> FloatArray:
    """Lower band of the states' posterior precision: band[d, j] = Omega[j + d, j]."""
    p, days = model.states, observed.size
    h, noise = model.step_years, model.noise
    leaves, arrives = np.ones(days), np.ones(days)
    leaves[-1] = arrives[0] = 0.0
    data = observed / noise.white**2
    band = np.zeros((p + 1, p * days))
    level = 1.0 / (noise.level_per_sqrt_year**2 * h)
    band[0, ::p] = level * (leaves + arrives) + data
    band[p, ::p] = -level * leaves
    if model.has_slope:
        slope = 1.0 / (noise.slope_per_year_per_sqrt_year**2 * h)
        band[0, 1::p] = level * h**2 * leaves + slope * (leaves + arrives)
        band[1, ::p] = level * h * leaves
        band[p - 1, 1::p] += -level * h * leaves
        band[p, 1::p] = -slope * leaves
        if model.slope_start_sd is not None:
            band[0, 1] += model.slope_start_sd**-2.0
    if model.has_ar:
        place, phi = model.ar_place, model.phi
        ar = 1.0 / (noise.ar**2 * (1 - phi**2))
        band[0, place::p] = ar * (phi**2 * leaves + arrives) + data
        band[0, place] += ar * (1 - phi**2)
        band[place, ::p] += data
        band[p, place::p] = -ar * phi * leaves
    return band


def _upper(band: FloatArray) -> FloatArray:
    """The same symmetric band kept by its upper half: upper[-1 - d, j + d] = band[d, j]."""
    upper = np.zeros(band.shape, order="F")
    for below, diagonal in enumerate(band):
        upper[-1 - below, below:] = diagonal[: diagonal.size - below]
    return upper


def _log_determinant(days: int, model: Model) -> float:
    """Log determinant of the proper part of the states' prior precision."""
    h, noise = model.step_years, model.noise
    total = -(days - 1) * np.log(noise.level_per_sqrt_year**2 * h)
    if model.has_slope:
        total -= (days - 1) * np.log(noise.slope_per_year_per_sqrt_year**2 * h)
        if model.slope_start_sd is not None:
            total -= 2 * np.log(model.slope_start_sd)
    if model.has_ar:
        spread = noise.ar**2 * (1 - model.phi**2)
        total += np.log((1 - model.phi**2) / spread) - (days - 1) * np.log(spread)
    return float(total)
