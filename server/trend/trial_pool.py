"""Differences of several pairs pooled: in these doors, and in this way of joining."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.errors import OutOfRangeError, TooFewReadingsError

FloatArray = NDArray[np.float64]

FEWEST_FOR_A_KIND = 2
FEWEST_DOORS_A_SIDE = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A difference (b less a) with its standard error, in the unit of what was handed in.

    `df` is None where it speaks of these doors: then its error is told by the gauges, not by the pairs'
    scatter. `count` is the number of pairs, of the larger side where there are groups.
    """

    value: float
    se: float
    df: float | None = None
    count: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Pool:
    """Both answers of some pairs. `tau`: standard deviation between them, None with `kind` for one pair."""

    doors: Estimate
    kind: Estimate | None
    tau: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighted:
    """The mean weighted by 1/(se² + tau²), its standard error, and Q, the weighted squares about it."""

    value: float
    se: float
    q: float


def pool(d: ArrayLike, se: ArrayLike) -> Pool:
    """What `d` (pairs,) with standard errors `se` (pairs,) says of these doors and of their kind.

    These doors: the plain mean, whose target does not move when weights do. The kind: random effects with
    the variance between pairs by Paule and Mandel, to be read with Student's t of pairs less one.
    With that variance Knapp and Hartung's factor is 1, and it is held at 1 where the variance is 0.

    Raises OutOfRangeError for arrays that do not match, no pair, or an error that is not above 0.
    Source: R. C. Paule, J. Mandel, Consensus values and weighting factors, 1982; the floor: C. Röver,
    G. Knapp, T. Friede 2015, doi 10.1186/s12874-015-0091-1.
    """
    values, errors = _checked(d, se)
    count = len(values)
    doors = Estimate(
        value=float(values.mean()), se=float(np.sqrt((errors**2).sum())) / count, df=None, count=count
    )
    if count < FEWEST_FOR_A_KIND:
        return Pool(doors=doors, kind=None, tau=None)
    tau2 = between_pairs(values, errors)
    mean = weighted(values, errors, tau2)
    kind = Estimate(value=mean.value, se=mean.se, df=float(count - 1), count=count)
    return Pool(doors=doors, kind=kind, tau=float(np.sqrt(tau2)))


def pool_groups(a: ArrayLike, se_a: ArrayLike, b: ArrayLike, se_b: ArrayLike) -> Estimate:
    """Mean rate of the doors `b` less that of the doors `a`, each side unmatched, by Welch.

    A side's variance is the greater of its rates' own and of the mean square of their standard errors.

    Raises TooFewReadingsError below 3 doors a side; OutOfRangeError as `pool`.
    Source: B. L. Welch 1947, degrees of freedom as there; from 3 doors a side: this project's simulation.
    """
    sides = [_checked(a, se_a), _checked(b, se_b)]
    sizes = [len(values) for values, _errors in sides]
    if min(sizes) < FEWEST_DOORS_A_SIDE:
        needed = f"{FEWEST_DOORS_A_SIDE} doors a side"
        raise TooFewReadingsError("two groups of doors", needed, f"{sizes[0]} and {sizes[1]}")
    parts = [
        max(float(values.var(ddof=1)), float((errors**2).mean())) / len(values) for values, errors in sides
    ]
    shares = sum(part**2 / (size - 1) for part, size in zip(parts, sizes, strict=True))
    return Estimate(
        value=float(sides[1][0].mean() - sides[0][0].mean()),
        se=float(np.sqrt(sum(parts))),
        df=sum(parts) ** 2 / shares,
        count=max(sizes),
    )


def weighted(d: ArrayLike, se: ArrayLike, tau2: float) -> Weighted:
    """The weighted mean of `d` at a variance between pairs of `tau2`, unit of `d` squared."""
    values, errors = _checked(d, se)
    weights = 1 / (errors**2 + tau2)
    mean = float((weights * values).sum() / weights.sum())
    q = float((weights * (values - mean) ** 2).sum())
    return Weighted(value=mean, se=float(1 / np.sqrt(weights.sum())), q=q)


def between_pairs(d: ArrayLike, se: ArrayLike) -> float:
    """The variance between pairs at which Q equals pairs less one; 0 where Q is no more than that already.

    Source: Paule and Mandel 1982, as in `pool`.
    """
    from scipy.optimize import brentq

    values, errors = _checked(d, se)
    spare = len(values) - 1
    if weighted(values, errors, 0.0).q <= spare:
        return 0.0
    # Q is at most the plain squares over tau², so that the root lies below this
    above = float(((values - values.mean()) ** 2).sum()) / spare
    return float(
        brentq(lambda tau2: weighted(values, errors, tau2).q - spare, 0.0, above, xtol=above * 1e-15)
    )


def over_places(d: Sequence[float], se: Sequence[float]) -> tuple[float, float]:
    """One pair's difference over several joints of a door: the means of both.

    The error is no smaller than one joint's: the building moves the joints of a leaf together.
    """
    values, errors = _checked(d, se)
    return float(values.mean()), float(errors.mean())


def _checked(d: ArrayLike, se: ArrayLike) -> tuple[FloatArray, FloatArray]:
    values, errors = np.asarray(d, dtype=np.float64), np.asarray(se, dtype=np.float64)
    if values.ndim != 1 or values.shape != errors.shape or not len(values):
        came = f"{values.shape} and {errors.shape}"
        raise OutOfRangeError("pool differences", "one standard error for each of 1 or more", came)
    if not (np.isfinite(values).all() and np.isfinite(errors).all() and (errors > 0).all()):
        raise OutOfRangeError("pool differences", "finite numbers, each error above 0", "another")
    return values, errors
