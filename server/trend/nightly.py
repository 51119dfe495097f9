"""One day more on the posterior of the last day's states and of the columns' coefficients.

The joint state is (level, slope, lagging noise, coefficients), of the series over its scale. All arrays may
have leading axes: doors with as many columns are stacked and updated together.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.trend.answer import Posterior
from server.trend.columns import Columns
from server.trend.likelihood import Noise
from server.trend.series import DAYS_PER_YEAR

FloatArray = NDArray[np.float64]

STATES = 3
STEP_YEARS = 1.0 / DAYS_PER_YEAR


@dataclass(frozen=True, slots=True, kw_only=True)
class Innovation:
    """What a day differs from what was expected of it, over the scale; NaN where nothing was read."""

    value: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """The noises of some doors, each of the shape of the doors, as variances of a day."""

    white: FloatArray
    level: FloatArray
    slope: FloatArray
    ar: FloatArray
    phi: FloatArray


def sizes_of(noise: Noise, *more: Noise) -> Sizes:
    """Daily variances of one door (arrays without axes) or of several (one axis)."""
    phi = np.exp([-1.0 / each.ar_days for each in (noise, *more)])
    made = Sizes(
        white=np.array([each.white**2 for each in (noise, *more)]),
        level=np.array([each.level_per_sqrt_year**2 * STEP_YEARS for each in (noise, *more)]),
        slope=np.array([each.slope_per_year_per_sqrt_year**2 * STEP_YEARS for each in (noise, *more)]),
        ar=np.array([each.ar**2 for each in (noise, *more)]) * (1 - phi**2),
        phi=phi,
    )
    if more:
        return made
    return Sizes(
        white=made.white[0], level=made.level[0], slope=made.slope[0], ar=made.ar[0], phi=made.phi[0]
    )


def nightly(posterior: Posterior, x: FloatArray, y: float, noise: Noise) -> tuple[Posterior, Innovation]:
    """The posterior a day later. x: the columns' values of that day; y: the series over its scale, or NaN."""
    sizes = sizes_of(noise)
    mean, covariance = predicted(posterior.mean, posterior.covariance, sizes)
    innovation = expected(mean, covariance, x, y, sizes)
    if np.isfinite(y):
        mean, covariance = updated(mean, covariance, x, np.asarray(y), sizes)
    return Posterior(mean=mean, covariance=covariance, columns=posterior.columns), innovation


def predicted(mean: FloatArray, covariance: FloatArray, sizes: Sizes) -> tuple[FloatArray, FloatArray]:
    """A day later, nothing read. mean: shape (..., states); covariance: (..., states, states)."""
    mean, covariance = mean.copy(), covariance.copy()
    phi = sizes.phi[..., None]
    mean[..., 0] += STEP_YEARS * mean[..., 1]
    mean[..., 2] *= sizes.phi
    covariance[..., 0, :] += STEP_YEARS * covariance[..., 1, :]
    covariance[..., :, 0] += STEP_YEARS * covariance[..., :, 1]
    covariance[..., 2, :] *= phi
    covariance[..., :, 2] *= phi
    for place, more in enumerate((sizes.level, sizes.slope, sizes.ar)):
        covariance[..., place, place] += more
    return mean, covariance


def expected(mean: FloatArray, covariance: FloatArray, x: FloatArray, y: float, sizes: Sizes) -> Innovation:
    """How far y stands from what is expected that day, and by how much it may; one door."""
    z = _seen_through(x)
    return Innovation(value=y - float(z @ mean), sd=float(np.sqrt(z @ covariance @ z + sizes.white)))


def updated(
    mean: FloatArray, covariance: FloatArray, x: FloatArray, y: FloatArray, sizes: Sizes
) -> tuple[FloatArray, FloatArray]:
    """After reading y, of shape (...); x: shape (..., columns)."""
    z = _seen_through(x)
    weight = np.einsum("...ij,...j->...i", covariance, z)
    variance = np.einsum("...i,...i->...", z, weight) + sizes.white
    gain = weight / variance[..., None]
    off = y - np.einsum("...i,...i->...", z, mean)
    return mean + gain * off[..., None], covariance - gain[..., :, None] * weight[..., None, :]


def joined(posterior: Posterior, columns: Columns) -> Posterior:
    """The posterior with the columns in this order; those it does not know join with their prior.

    A column that was all zero until now is independent of the rest, as if it had been there from the start.
    """
    if posterior.columns == columns.names:
        return posterior
    size = STATES + len(columns.names)
    mean, covariance = np.zeros(size), np.diag(np.concatenate([np.zeros(STATES), columns.prior_sd**2]))
    known = [place for place, name in enumerate(columns.names) if name in posterior.columns]
    old = [posterior.columns.index(columns.names[place]) for place in known]
    to = np.concatenate([np.arange(STATES), STATES + np.array(known, dtype=int)])
    of = np.concatenate([np.arange(STATES), STATES + np.array(old, dtype=int)])
    mean[to] = posterior.mean[of]
    covariance[np.ix_(to, to)] = posterior.covariance[np.ix_(of, of)]
    return Posterior(mean=mean, covariance=covariance, columns=columns.names)


def _seen_through(x: FloatArray) -> FloatArray:
    z = np.empty((*x.shape[:-1], STATES + x.shape[-1]))
    z[..., 0], z[..., 1], z[..., 2] = 1.0, 0.0, 1.0
    z[..., STATES:] = x
    return z
