"""Two rates compared."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from server.trend.decompose import Status
from server.trend.together import Shares


class Rate(Protocol):
    """What is asked of a decomposition, or of what was kept of one."""

    @property
    def status(self) -> Status:
        """Refused, provisional or served."""
        ...

    @property
    def reason(self) -> str | None:
        """Why it is not served, or only so far."""
        ...

    @property
    def rate(self) -> float | None:
        """Growth of what stays, a year; None where refused."""
        ...

    @property
    def rate_low(self) -> float | None:
        """Lower bound of the 95 % interval."""
        ...

    @property
    def rate_high(self) -> float | None:
        """Upper bound of the 95 % interval."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A figure with its 95 % interval of one night."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ByOpenings:
    """What is told once each door's openings stand in the sum beside the years, in the comparison's unit.

    `ratio`: error of the difference with them over that without. Above 4 openings cannot be told from time,
    and there are no figures.
    """

    ratio: float
    difference: Told | None = None
    """B less a, a year, less what goes with openings."""
    a: Told | None = None
    """What 10,000 openings move a by; so with b."""
    b: Told | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """How much faster b moves than a, a year, with its 95 % interval; no numbers where refused."""

    status: Status
    reason: str | None = None
    difference: float | None = None
    low: float | None = None
    high: float | None = None
    days_shared: int | None = None
    """Days from the first to the last that both were watched; None where rates alone were compared."""
    shares: Shares | None = None
    """What the two were found to share, for the nights until it is fitted anew."""
    by_openings: ByOpenings | None = None
    """None unless both doors' openings were handed in."""


def difference(a: Rate, b: Rate) -> Comparison:
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


def _middle(one: Rate) -> tuple[float, float]:
    rate, low, high = one.rate or 0.0, one.rate_low or 0.0, one.rate_high or 0.0
    return rate, (high - low) / 2
