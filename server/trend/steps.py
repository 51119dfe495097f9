"""Sudden lasting shifts that nobody declared: found one by one, and let go again when they do not hold."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from server.trend.columns import Columns, with_steps, without_step
from server.trend.likelihood import Model, Noise, Solved, solved

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

AGILE_SLOPE = 0.5
"""Slope noise under which steps are judged: under a stiff one, a fast failing joint is eaten up as steps."""
FIRST_PLACE, LAST_OBSERVED = 20, 4
APART_DAYS, BLANK_DAYS, MOST_PEAKS = 5, 4, 8
HOLDS_T, HOLDS_SIZE = 4.2, 0.09


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """What a step must pass to be taken, and how many are taken; sizes are for sag in mm."""

    t: float = 4.6
    size: float = 0.10
    most: int = 10
    from_place: int = 0
    """First place at which one is sought; never within the first 20 days."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A step that was taken: at which place, how large, and how many standard errors that is."""

    place: int
    size: float
    t: float


def agile(noise: Noise) -> Noise:
    """The noise under which steps are found and judged; never the rate."""
    slope = max(noise.slope_per_year_per_sqrt_year, AGILE_SLOPE)
    return replace(noise, slope_per_year_per_sqrt_year=slope)


def found_steps(y: FloatArray, columns: Columns, day: IntArray, noise: Noise, bar: Bar) -> Columns:
    """The columns with one more for each step that is found, the surest first.

    y: shape (days,), NaN is not observed; day: the day of each place. The steps among the columns are known.
    """
    model = Model(noise=agile(noise))
    for _ in range(bar.most):
        best = _surest(solved(y, columns.values, columns.prior_sd, model), columns, day, bar)
        if best is None or best.t <= bar.t or abs(best.size) < bar.size:
            break
        columns = with_steps(columns, day, (int(day[best.place]),))
    return columns


def pruned(y: FloatArray, columns: Columns, noise: Noise, declared: tuple[int, ...]) -> Columns:
    """The columns less the undeclared steps that do not hold, the least sure first."""
    model = Model(noise=agile(noise))
    while True:
        fit = solved(y, columns.values, columns.prior_sd, model)
        errors = np.sqrt(np.diag(fit.covariance))
        weak = [
            (abs(fit.coefficients[place]) / errors[place], step)
            for place, step in _steps_of(columns)
            if step not in declared and not _holds(fit.coefficients[place], errors[place])
        ]
        if not weak:
            return columns
        columns = without_step(columns, min(weak)[1])


def _holds(size: float, error: float) -> bool:
    return bool(abs(size) / error > HOLDS_T and abs(size) > HOLDS_SIZE)


def _steps_of(columns: Columns) -> list[tuple[int, int]]:
    places = np.flatnonzero(columns.of_part("steps"))
    return list(zip((int(place) for place in places), columns.step_days, strict=True))


def _surest(fit: Solved, columns: Columns, day: IntArray, bar: Bar) -> Found | None:
    """The step of the greatest t among the largest peaks of the score."""
    whitened = fit.factor.whitened(fit.residual[:, None])[:, 0]
    score = np.abs(np.cumsum(whitened[::-1])[::-1])
    score[~_asked(fit.factor.observed, day, columns.step_days, bar)] = -np.inf
    peaks = _peaks(score)
    if not peaks:
        return None
    lasting = (np.arange(day.size)[:, None] >= np.array(peaks)).astype(float)
    white = fit.factor.whitened(lasting)
    by_columns = white.T @ fit.columns
    explained = np.einsum("ij,jk,ik->i", by_columns, fit.covariance, by_columns)
    info = np.einsum("ij,ij->j", lasting, white) - explained
    size = white.T @ fit.residual / info
    t = np.abs(size) * np.sqrt(np.maximum(info, 0.0))
    best = int(np.argmax(t))
    return Found(place=peaks[best], size=float(size[best]), t=float(t[best]))


def _asked(observed: NDArray[np.bool_], day: IntArray, known: tuple[int, ...], bar: Bar) -> NDArray[np.bool_]:
    place = np.arange(day.size)
    seen = np.flatnonzero(observed)
    last = seen[-LAST_OBSERVED] if seen.size >= LAST_OBSERVED else 0
    asked = observed & (place > FIRST_PLACE) & (place >= bar.from_place) & (place < last)
    for step in known:
        asked &= np.abs(day - step) > APART_DAYS
    return np.asarray(asked)


def _peaks(score: FloatArray) -> list[int]:
    left, peaks = score.copy(), []
    for _ in range(MOST_PEAKS):
        top = int(np.argmax(left))
        if not np.isfinite(left[top]):
            break
        peaks.append(top)
        left[max(top - BLANK_DAYS, 0) : top + BLANK_DAYS + 1] = -np.inf
    return peaks
