"""Looks at Brownian motion: the chance of leaving given bounds, reckoned and drawn."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
NODES = 401
FARTHEST = 9.0


def crossed(z: Sequence[float], times: Sequence[float], *, one_sided: bool = False) -> FloatArray:
    """The chance of |W(t)|/sqrt t (or W, one-sided) having been above z at a look, by the end of each.

    The density of paths still inside is carried from look to look by Gauss and Legendre's rule.
    Source of the method: P. Armitage, C. K. McPherson, B. C. Rowe 1969.
    """
    from scipy.stats import norm

    unit, weight = np.polynomial.legendre.leggauss(NODES)
    inside = []
    x, mass, before = np.zeros(1), np.ones(1), 0.0
    for bound, time in zip(z, times, strict=True):
        top = min(bound, FARTHEST) * np.sqrt(time)
        bottom = -FARTHEST * np.sqrt(time) if one_sided else -top
        y = (top + bottom) / 2 + (top - bottom) / 2 * unit
        step = norm.pdf(y[:, None], loc=x[None, :], scale=np.sqrt(time - before))
        mass = (step @ mass) * weight * (top - bottom) / 2
        x, before = y, time
        inside.append(mass.sum())
    return 1 - np.asarray(inside)


def paths(rng: np.random.Generator, count: int, times: FloatArray) -> FloatArray:
    """Brownian motions (count, times)."""
    steps = rng.standard_normal((count, len(times))) * np.sqrt(np.diff(times, prepend=0.0))
    return np.cumsum(steps, axis=1)
