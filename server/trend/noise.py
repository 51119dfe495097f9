"""The noise of one series: the most probable sizes, given how large such noises are."""

from dataclasses import astuple

import numpy as np
from numpy.typing import NDArray

from server.trend.columns import Columns
from server.trend.likelihood import Model, Noise, solved

FloatArray = NDArray[np.float64]

PRIOR_SD = np.array([0.6, 0.6, 0.6, 0.4, 0.8])
"""Of the logarithms of white, ar, ar_days, level and slope noise."""
FARTHEST = 2.5
SLOPE_AT_MOST = 1.0
"""Above its median, in the logarithm: a shoulder read by gauges nearly without noise would otherwise call the
season that no column knows of a slope that turns about, and raise an alarm on it."""
LEVEL, LEVEL_AT_LEAST = 3, 0.5
"""Its place, and what it is at least of its median: nobody knows the wood of a door so well that nothing is
left over from one year to the next, though daily readings of gauges nearly without noise would have it so.
What the far face breathes, hysteresis and unlike layers leave is smooth, and no day's jump tells of it."""
DIFFERENCE = 1e-3
ENOUGH = 1e-7
NOT_POSSIBLE = 1e12


def fitted_noise(
    y: FloatArray,
    columns: Columns,
    *,
    medians: Noise,
    start: Noise,
    iterations: int,
    model: Model | None = None,
) -> Noise:
    """The noise at which likelihood times prior is greatest, sought from `start`.

    y: shape (days,), NaN is not observed. `medians`: of the prior, normal in the logarithms; the search stays
    within 2.5 of them, where the precision can still be factorised well; level and slope nearer to theirs.
    """
    from scipy.optimize import minimize

    middle, base = np.log(astuple(medians)), model or Model()
    low, high = middle - FARTHEST, middle + np.array([FARTHEST] * 4 + [SLOPE_AT_MOST])
    least = low.copy()
    least[LEVEL] = middle[LEVEL] + np.log(LEVEL_AT_LEAST)

    def unlikely(theta: FloatArray) -> float:
        try:
            noise = noise_of(np.maximum(theta, least))
            fit = solved(y, columns.values, columns.prior_sd, with_noise(base, noise))
        except np.linalg.LinAlgError:
            return NOT_POSSIBLE
        return -fit.loglik + 0.5 * float((((theta - middle) / PRIOR_SD) ** 2).sum())

    found = minimize(
        unlikely,
        np.clip(np.log(astuple(start)), low, high),
        method="L-BFGS-B",
        bounds=list(zip(low, high, strict=True)),
        options={"maxiter": iterations, "ftol": ENOUGH, "eps": DIFFERENCE},
    )
    return noise_of(np.maximum(found.x, least))


def noise_of(theta: FloatArray) -> Noise:
    """The noise with these logarithms of its sizes."""
    white, ar, ar_days, level, slope = (float(size) for size in np.exp(theta))
    return Noise(
        white=white,
        ar=ar,
        ar_days=ar_days,
        level_per_sqrt_year=level,
        slope_per_year_per_sqrt_year=slope,
    )


def with_noise(model: Model, noise: Noise) -> Model:
    """The same states with other noise."""
    return Model(
        noise=noise,
        step_years=model.step_years,
        slope_start_sd=model.slope_start_sd,
        has_slope=model.has_slope,
        has_ar=model.has_ar,
    )
