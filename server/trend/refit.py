"""One series split with all that is to be learned from it: its own noise, its slab, its unlogged steps.

Steps are sought first under unfitted noise: one that is not modelled makes the level wander and hides in it.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from server.timber.slab import Cell
from server.trend.answer import Decomposition, Fit, answer
from server.trend.choose import best_cell
from server.trend.columns import (
    USUAL_CELL,
    Columns,
    grid_moisture_pct,
    made_columns,
    nearest_cell,
    with_steps,
)
from server.trend.decompose import first_solved, usual_noise
from server.trend.likelihood import Model, Noise, solved
from server.trend.noise import fitted_noise
from server.trend.prepare import Prepared, prepared
from server.trend.series import Daily, DoorFacts
from server.trend.steps import Bar, found_steps, pruned

FloatArray = NDArray[np.float64]

FIRST_ITERATIONS, SECOND_ITERATIONS = 12, 20


@dataclass(frozen=True, slots=True, kw_only=True)
class _Learning:
    """What is known so far of one series."""

    ready: Prepared
    y: FloatArray
    """Without its outliers."""
    grid_pct: FloatArray
    cell: Cell
    columns: Columns
    noise: Noise


def refit(daily: Daily, door: DoorFacts, *, through: int | None = None) -> Decomposition:
    """Split a series, of its days up to and with day `through`, with noise, slab and steps of its own.

    As `decompose` in all that it refuses and gives.
    Raises SeriesError for `through` before the first day.
    """
    ready = prepared(daily, door, through=through, may_stand_still=False)
    if isinstance(ready, Decomposition):
        return ready
    cell = nearest_cell(USUAL_CELL)
    grid = grid_moisture_pct(ready.climate)
    columns = made_columns(ready.day, ready.climate, cell, ready.declared, door, grid_pct=grid)
    _, outliers = first_solved(ready, columns)
    learned = _learned(
        _Learning(
            ready=ready,
            y=np.where(outliers, np.nan, ready.y),
            grid_pct=grid,
            cell=cell,
            columns=columns,
            noise=usual_noise(door),
        )
    )
    fit = Fit(
        solved=solved(
            learned.y, learned.columns.values, learned.columns.prior_sd, Model(noise=learned.noise)
        ),
        columns=learned.columns,
        day=ready.day,
        settled=ready.settled,
        origin=ready.origin,
        scale=door.scale,
        cell=learned.cell,
        declared=ready.declared,
    )
    return answer(fit, outliers, door, early=ready.early, observed=ready.observed)


def _learned(known: _Learning) -> _Learning:
    known = _with_noise(_with_slab(_with_steps(known)), FIRST_ITERATIONS)
    known = _with_noise(_with_slab(_with_steps(known)), SECOND_ITERATIONS)
    known = _with_steps(known)
    return replace(known, columns=pruned(known.y, known.columns, known.noise, known.ready.declared))


def _with_steps(known: _Learning) -> _Learning:
    return replace(known, columns=found_steps(known.y, known.columns, known.ready.day, known.noise, Bar()))


def _with_slab(known: _Learning) -> _Learning:
    ready, model = known.ready, Model(noise=known.noise)
    cell, _ = best_cell(known.y, known.columns, known.grid_pct, ready.climate, model)
    bare = made_columns(ready.day, ready.climate, cell, (), ready.door, grid_pct=known.grid_pct)
    return replace(known, cell=cell, columns=with_steps(bare, ready.day, known.columns.step_days))


def _with_noise(known: _Learning, iterations: int) -> _Learning:
    noise = fitted_noise(
        known.y,
        known.columns,
        medians=usual_noise(known.ready.door),
        start=known.noise,
        iterations=iterations,
    )
    return replace(known, noise=noise)
