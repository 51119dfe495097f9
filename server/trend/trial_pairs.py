"""The pairs of a trial from night to night: what each door's series is multiplied by, and what is kept."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from server.errors import OutOfRangeError

PER_N_M = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scaling:
    """What the two series are multiplied by before they are compared, and the difference and error after."""

    a: float
    b: float
    after: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """A pair's difference (b less a) and its standard error, and the night it was served."""

    night: int
    d: float
    se: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PairNight:
    """A pair tonight: what was served, or why not. `ended`, said every night, keeps its last for good."""

    served: Served | None = None
    refused: str | None = None
    ended: bool = False


def scaling(moment_a_n_m: float, moment_b_n_m: float, openings: tuple[float, float] | None = None) -> Scaling:
    """The factors for a turn per 100 N·m and, with the doors' openings a year, per 10,000 of them.

    Each series keeps its size, as the trend's priors want it: it is brought to the two doors' geometric
    mean, and the difference is taken to 100 N·m (and 10,000 openings) at the end.

    Raises OutOfRangeError for a moment or a count that is not above 0.
    """
    a, b = _to_mean(moment_a_n_m, moment_b_n_m)
    after = PER_N_M / math.sqrt(moment_a_n_m * moment_b_n_m)
    if openings is not None:
        of_a, of_b = openings
        use_a, use_b = _to_mean(of_a, of_b)
        return Scaling(a=a * use_a, b=b * use_b, after=after * 10_000 / math.sqrt(of_a * of_b))
    return Scaling(a=a, b=b, after=after)


def unscaled() -> Scaling:
    """The factors for a droop: none."""
    return Scaling(a=1.0, b=1.0, after=1.0)


def carried(before: Served | None, tonight: PairNight) -> Served | None:
    """What counts for a pair tonight: a refused or ended one keeps its last; None if never served."""
    return before if tonight.ended or tonight.served is None else tonight.served


def all_served(pairs: Sequence[Served | None]) -> tuple[Served, ...] | None:
    """The pairs, or None while one of them has never been served: then there is no verdict."""
    served = tuple(pair for pair in pairs if pair is not None)
    return served if served and len(served) == len(pairs) else None


def halved(before: Served | None, tonight: PairNight) -> bool:
    """Whether a pair's error fell by half or more in a night: a finding, for information grows slowly."""
    now = carried(before, tonight)
    return before is not None and now is not None and now.se <= before.se / 2


def _to_mean(a: float, b: float) -> tuple[float, float]:
    if not (a > 0 and b > 0):
        raise OutOfRangeError("scale a pair", "a number above 0 for each door", f"{a:g} and {b:g}")
    mean = math.sqrt(a * b)
    return mean / a, mean / b
