"""The fence: bounds of a trial that may be looked at every night, and its constants."""

from dataclasses import dataclass

from server.errors import OutOfRangeError
from server.trend.trial_pool import Estimate

C_DOORS = 2.241402727604947
"""Phi^-1(1 - 0.05/4): by reflection a Brownian motion leaves ± C_DOORS within its time in at most 0.05."""
C_KIND = ((10, 2.05), (15, 2.10))
"""Most pairs, constant: found by simulation, not proved; C_DOORS beyond."""
NO_BOUND_ABOVE = 1000.0
"""A factor above this is shown as no bound yet."""
YEAR_DAYS = 365.25
FARTHEST_Z = 37.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Fence:
    """How many standard errors off the bounds lie, and the error rate of a plain interval so wide."""

    factor: float
    nominal: float

    @property
    def is_bound(self) -> bool:
        """Whether the bounds are near enough to be worth printing."""
        return self.factor <= NO_BOUND_ABOVE


def fence(years: float, horizon_years: float, *, df: float | None = None, count: int = 1) -> Fence:
    """The fence `years` after the start of a trial that ends after `horizon_years`; there it stays.

    Without `df`: of these doors. With it: of a kind, `count` pairs (of groups: the larger side), by
    Student's t at the same nominal level.

    Raises OutOfRangeError unless both times are above 0, and `df` too.
    Source: K. K. G. Lan, D. L. DeMets 1983, the spending function of O'Brien and Fleming's kind,
    4 (1 - Phi(c/sqrt f)), looked at continuously.
    """
    from scipy.stats import norm, t

    if not (years > 0 and horizon_years > 0):
        raise OutOfRangeError("fence", "times above 0", f"{years:g} of {horizon_years:g} years")
    spent = min(years / horizon_years, 1.0) ** 0.5
    if df is None:
        return Fence(factor=C_DOORS / spent, nominal=2 * float(norm.sf(C_DOORS / spent)))
    if not df > 0:
        raise OutOfRangeError("fence", "degrees of freedom above 0", f"{df:g}")
    # past this the level is below what a double can hold; that early nothing is said anyway
    nominal = 2 * float(norm.sf(min(c_kind(count) / spent, FARTHEST_Z)))
    return Fence(factor=float(t.isf(nominal / 2, df)), nominal=nominal)


def fence_of(estimate: Estimate, years: float, horizon_years: float) -> Fence:
    """The fence for an estimate of these doors or of a kind."""
    return fence(years, horizon_years, df=estimate.df, count=estimate.count)


def c_kind(count: int) -> float:
    """The constant for a kind of `count` pairs.

    Source: this project's simulation, false claims at most 0.053 for 2 to 15 pairs over all spreads tried.
    """
    return next((constant for most, constant in C_KIND if count <= most), C_DOORS)
