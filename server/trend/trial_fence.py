"""The fence: bounds of a trial that may be looked at every night, with the constants that its name fixes."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.errors import OutOfRangeError
from server.trend.trial_pool import Estimate

FloatArray = NDArray[np.float64]

C_DOORS = 2.241402727604947
"""Phi^-1(1 - 0.05/4): by reflection a Brownian motion leaves ± C_DOORS within its time in at most 0.05."""
NO_BOUND_ABOVE = 1000.0
"""A factor above this is shown as no bound yet."""
YEAR_DAYS = 365.25
FARTHEST_Z = 37.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Method:
    """A fence by its name. What stands here never changes: a sealed trial is judged by the one it names.

    `power`: of the share of time by which the bounds narrow; while information grows as time to twice that
    power or more slowly, these doors' bounds are left in at most 0.05. `kinds`: most pairs and their constant
    for a kind, C_DOORS beyond.
    """

    name: str
    power: float
    kinds: tuple[tuple[int, float], ...]

    def factor(self, share: ArrayLike) -> FloatArray:
        """Standard errors off, of these doors, at a share of the trial's time above 0; from 1 on as at 1."""
        factor: FloatArray = C_DOORS / np.minimum(share, 1.0) ** self.power
        return factor

    def factor_of_kind(self, share: ArrayLike, count: int, df: float) -> FloatArray:
        """The same of a kind of `count` pairs, by Student's t of `df` at the level of its own constant."""
        from scipy.stats import norm, t

        # past the farthest the level is below what a double can hold; that early nothing is said anyway
        z = np.minimum(self.c_kind(count) / np.minimum(share, 1.0) ** self.power, FARTHEST_Z)
        factor: FloatArray = t.isf(norm.sf(z), df)
        return factor

    def c_kind(self, count: int) -> float:
        """The constant for a kind of `count` pairs."""
        return next((constant for most, constant in self.kinds if count <= most), C_DOORS)


FENCE_1 = Method(name="fence-1", power=0.5, kinds=((10, 2.05), (15, 2.10)))
"""Source of the power: K. K. G. Lan, D. L. DeMets 1983, the spending function of O'Brien and Fleming's kind,
4 (1 - Phi(c/sqrt f)), looked at continuously; of the constants: this project's simulation, false claims of a
kind at most 0.053 for 2 to 15 pairs over all spreads tried.
"""
FENCE_2 = Method(name="fence-2", power=0.625, kinds=((9, 2.05), (15, 2.10)))
"""Stricter early on: information of pairs of turns was measured to grow as time to the 1.62 from the second
year to the sixth, by which fence-1 is left in more than 0.05.

Source of the constants: this project's simulation, `nice -n 10 python -m tests.bench.trend.trial_kinds`,
weekly looks at 6000 trials a cell, spreads 0 to 1 mm a year, 4, 6 and 10 years, information as time and as
time to the 1.62. Greatest rate of false claims, standard error 0.003 at most:
2 pairs 0.039, 3 0.047, 4 0.047, 5 0.048, 6 0.046, 7 0.050, 8 0.051, 9 0.053 (2.05; 10 would be at 0.059);
10 pairs 0.051, 11 0.051, 12 0.048, 13 0.051, 14 0.050, 15 0.049 (2.10); 16 0.037, 20 0.040 (C_DOORS).
"""
NEWEST = FENCE_2
METHODS = {one.name: one for one in (FENCE_1, FENCE_2)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fence:
    """How many standard errors off the bounds lie, and the error rate of a plain interval so wide."""

    factor: float
    nominal: float

    @property
    def is_bound(self) -> bool:
        """Whether the bounds are near enough to be worth printing."""
        return self.factor <= NO_BOUND_ABOVE


def fence(
    years: float, horizon_years: float, *, method: Method = NEWEST, df: float | None = None, count: int = 1
) -> Fence:
    """The fence `years` after the start of a trial that ends after `horizon_years`; there it stays.

    Without `df`: of these doors. With it: of a kind, `count` pairs (of groups: the larger side), by
    Student's t at the same nominal level.

    Raises OutOfRangeError unless both times are above 0, and `df` too.
    """
    from scipy.stats import norm, t

    if not (years > 0 and horizon_years > 0):
        raise OutOfRangeError("fence", "times above 0", f"{years:g} of {horizon_years:g} years")
    share = years / horizon_years
    if df is None:
        factor = float(method.factor(share))
        return Fence(factor=factor, nominal=2 * float(norm.sf(factor)))
    if not df > 0:
        raise OutOfRangeError("fence", "degrees of freedom above 0", f"{df:g}")
    factor = float(method.factor_of_kind(share, count, df))
    return Fence(factor=factor, nominal=2 * float(t.sf(factor, df)))


def fence_of(estimate: Estimate, years: float, horizon_years: float, method: Method = NEWEST) -> Fence:
    """The fence for an estimate of these doors or of a kind."""
    return fence(years, horizon_years, method=method, df=estimate.df, count=estimate.count)
