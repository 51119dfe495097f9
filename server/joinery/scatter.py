"""How counts and measurements of few pieces scatter: intervals, limits, and runs by chance."""

from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray

from server.errors import OutOfRangeError

FloatArray = NDArray[np.float64]
CONFIDENCE, SHARE = 0.95, 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A value with its 95 % interval. `df`: degrees of freedom, None where it has none."""

    value: float
    low: float
    high: float
    df: float | None = None


def tolerance_k(pieces: int, *, confidence: float = CONFIDENCE, share: float = SHARE) -> float:
    """Standard deviations below the mean at which a one-sided tolerance limit lies, normal pieces.

    Raises OutOfRangeError for under two pieces, or a share or confidence that is not between 0 and 1.
    Source: non-central t, as in Eckelman, Uysal, Haviarova 2016.
    """
    from scipy.stats import nct, norm

    if pieces < 2 or not (0 < confidence < 1 and 0 < share < 1):
        came = f"{pieces}, {confidence:g}, {share:g}"
        raise OutOfRangeError("tolerance limit", "two pieces, and shares between 0 and 1", came)
    root = np.sqrt(pieces)
    return float(nct.ppf(confidence, pieces - 1, norm.ppf(share) * root) / root)


def share_interval(count: int, pieces: int) -> Interval:
    """A share with its exact interval (Clopper and Pearson).

    Raises OutOfRangeError for counts that do not fit, or no piece at all.
    """
    from scipy.stats import beta

    if not 0 <= count <= pieces or pieces < 1:
        raise OutOfRangeError("share of the pieces", "a count of one piece or more", f"{count} of {pieces}")
    tail = (1 - CONFIDENCE) / 2
    low = float(beta.ppf(tail, count, pieces - count + 1)) if count else 0.0
    high = float(beta.ppf(1 - tail, count + 1, pieces - count)) if count < pieces else 1.0
    return Interval(value=count / pieces, low=low, high=high)


def run_chance(pieces: int, failed: int, run: int) -> float:
    """Chance of a run of `run` or longer among `failed` of `pieces`, if every order is as likely.

    Raises OutOfRangeError for counts that do not fit one another.
    """
    if not run >= 1 or not 0 <= failed <= pieces:
        raise OutOfRangeError("run of failures", "counts that fit", f"{run}, {failed} of {pieces}")
    whole, sound = comb(pieces, failed), pieces - failed
    without = sum(
        (-1) ** j * comb(sound + 1, j) * comb(pieces - j * run, sound)
        for j in range(sound + 2)
        if pieces - j * run >= sound
    )
    return float(1 - without / whole)


def welch(a: FloatArray, b: FloatArray) -> Interval:
    """Mean of b less mean of a, each side with its own scatter; two values or more a side.

    Source: Welch 1947, degrees of freedom after Satterthwaite.
    """
    from scipy.stats import t

    parts = np.array([a.var(ddof=1) / a.size, b.var(ddof=1) / b.size])
    difference, error = float(b.mean() - a.mean()), float(np.sqrt(parts.sum()))
    if error == 0:
        return Interval(value=difference, low=difference, high=difference, df=float(a.size + b.size - 2))
    df = float(parts.sum() ** 2 / (parts**2 / (np.array([a.size, b.size]) - 1)).sum())
    half = float(t.ppf((1 + CONFIDENCE) / 2, df)) * error
    return Interval(value=difference, low=difference - half, high=difference + half, df=df)
