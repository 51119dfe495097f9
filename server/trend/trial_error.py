"""How the error of one pair's difference falls with the years of a trial, as it was measured."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

AS_ROOT = -0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorPath:
    """Standard error `se` of one pair's difference `years` after the start, in the difference's unit.

    Between the years along a smooth line in logarithms; before the first as steeply as there, past the last
    as the root of time. `served`: the share of pairs that are compared at all by `served_years`, straight in
    between and from 0 at the first to 1 at the last; without them every pair is.
    """

    years: tuple[float, ...]
    se: tuple[float, ...]
    served_years: tuple[float, ...] = ()
    served: tuple[float, ...] = ()

    def at(self, years: ArrayLike) -> FloatArray:
        """The standard error after `years`, any shape, above 0."""
        from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

        x, y = np.log(self.years), np.log(self.se)
        asked = np.log(np.asarray(years, dtype=np.float64))
        slopes = np.full(x.size, AS_ROOT)
        if x.size > 1:
            slopes[:-1] = PchipInterpolator(x, y).derivative()(x)[:-1]
        inside = np.clip(asked, x[0], x[-1])
        middle = CubicHermiteSpline(x, y, slopes)(inside) if x.size > 1 else y[0]
        beyond = np.where(asked < x[0], slopes[0], AS_ROOT) * (asked - inside)
        error: FloatArray = np.exp(middle + beyond)
        return error

    def all_served(self, years: float, pairs: int) -> float:
        """The chance that each of `pairs` is compared by `years`: before that a trial has no verdict."""
        if not self.served_years:
            return 1.0
        return float(np.interp(years, self.served_years, self.served)) ** pairs

    def drawn_served(self, rng: np.random.Generator, trials: int, pairs: int) -> FloatArray:
        """Years by which each of `trials` has all of its `pairs` compared, drawn; (trials,)."""
        if not self.served_years:
            return np.zeros(trials)
        last: FloatArray = np.interp(rng.random((trials, pairs)), self.served, self.served_years).max(axis=1)
        return last

    def times(self, factor: float) -> "ErrorPath":
        """The same in another unit, `factor` as large."""
        return replace(self, se=tuple(factor * one for one in self.se))


DROOP_MM = ErrorPath(years=(1.0,), se=(0.0744,))
"""Of droop, mm a year: so much after one year, and falling as the root of time.

Source: sixty simulated doors through the trend, by this project; its errors at 2, 3 and 5 years within 1 %.
"""
TURN_MRAD = ErrorPath(
    years=(2.0, 3.0, 5.0, 6.0),
    se=(0.0225, 0.0157, 0.0103, 0.0092),
    served_years=(1.25, 1.5, 1.75, 2.0, 2.25, 2.5),
    served=(0.0, 0.14, 0.51, 0.76, 0.89, 1.0),
)
"""Of turns between gauges 170 mm apart, mrad a year: the median of the pairs that are compared by then.

Source: 400 simulated pairs of sound joints through the comparison of the service, by this project
(`python -m tests.bench.trend.trials`); by when they are compared, 37 of those.
"""
