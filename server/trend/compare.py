"""Two rates compared."""

from dataclasses import dataclass

import numpy as np

from server.trend.decompose import Decomposition, Status


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """How much faster b moves than a, a year, with its 95 % interval; no numbers where refused."""

    status: Status
    reason: str | None = None
    difference: float | None = None
    low: float | None = None
    high: float | None = None


def difference(a: Decomposition, b: Decomposition) -> Comparison:
    """The rate of b less that of a, the half-widths in quadrature as of two errors that share nothing.

    Refused, with that rate's reason, where either is; provisional where either is.
    """
    for one in (a, b):
        if one.status == "refused" or one.rate is None or one.rate_low is None or one.rate_high is None:
            return Comparison(status="refused", reason=one.reason)
    (rate_a, half_a), (rate_b, half_b) = _middle(a), _middle(b)
    apart, half = rate_b - rate_a, float(np.hypot(half_a, half_b))
    early = a if a.status == "provisional" else b
    return Comparison(
        status=early.status, reason=early.reason, difference=apart, low=apart - half, high=apart + half
    )


def _middle(one: Decomposition) -> tuple[float, float]:
    rate, low, high = one.rate or 0.0, one.rate_low or 0.0, one.rate_high or 0.0
    return rate, (high - low) / 2
