"""One series split into what the season takes back and what stays, with the rate of what stays.

The noise stands at its prior medians, the slab at the usual cell; steps are those that were declared.
"""

import numpy as np
from numpy.typing import NDArray

from server.trend.answer import (
    PLUGGED_IN,
    Z_95,
    Decomposition,
    Fit,
    Interval,
    Kept,
    Posterior,
    Status,
    Step,
    answer,
)
from server.trend.columns import USUAL_CELL, Columns, made_columns, nearest_cell
from server.trend.likelihood import Model, Noise, Solved, solved
from server.trend.outliers import outlying
from server.trend.prepare import FIRST_YEAR_DAYS, FIT_DAYS, Prepared, prepared
from server.trend.series import Daily, DoorFacts

__all__ = [
    "FIRST_YEAR_DAYS",
    "FIT_DAYS",
    "PLUGGED_IN",
    "Z_95",
    "Decomposition",
    "Fit",
    "Interval",
    "Kept",
    "Posterior",
    "Status",
    "Step",
    "decompose",
    "first_solved",
    "usual_noise",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


def decompose(daily: Daily, door: DoorFacts, *, through: int | None = None) -> Decomposition:
    """Split a series, of its days up to and with day `through`.

    The ages count from the first day handed in. Too little to know is a refusal in the answer, not an error.
    Raises SeriesError for `through` before the first day.
    """
    ready = prepared(daily, door, through=through)
    if isinstance(ready, Decomposition):
        return ready
    cell = nearest_cell(USUAL_CELL)
    columns = made_columns(ready.day, ready.climate, cell, ready.declared, door)
    found, outliers = first_solved(ready, columns)
    fit = Fit(
        solved=found,
        columns=columns,
        day=ready.day,
        settled=ready.settled,
        origin=ready.origin,
        scale=door.scale,
        cell=cell,
        declared=ready.declared,
    )
    return answer(fit, outliers, door, early=ready.early, observed=ready.observed)


def usual_noise(door: DoorFacts) -> Noise:
    """The prior medians of the noise, with the gauge's own as declared, of the series over its scale."""
    return Noise(white=door.white / door.scale, ar=door.ar / door.scale)


def first_solved(ready: Prepared, columns: Columns) -> tuple[Solved, BoolArray]:
    """The series solved under the usual noise without its outliers, and which days those are."""
    model = Model(noise=usual_noise(ready.door))
    first = solved(ready.y, columns.values, columns.prior_sd, model)
    outliers = outlying(np.where(np.isfinite(ready.y), first.residual, np.nan))
    if not outliers.any():
        return first, outliers
    return solved(np.where(outliers, np.nan, ready.y), columns.values, columns.prior_sd, model), outliers
