"""Which slab of the grid explains a series best."""

import numpy as np
from numpy.typing import NDArray

from server.timber.slab import Cell
from server.trend.climate import Climate
from server.trend.columns import BIOT, GRID, SEASON, TAU_DAYS, Columns, by_time_constant, wood_columns
from server.trend.likelihood import Model, factorised

FloatArray = NDArray[np.float64]

USUAL_TAU_DAYS, TAU_SPREAD = 60.0, 0.9
OF_WOOD = len(SEASON) - 2
"""Columns that hang on the slab; they come first."""


def best_cell(
    y: FloatArray, columns: Columns, grid_pct: FloatArray, climate: Climate, model: Model
) -> tuple[Cell, FloatArray]:
    """The slab of the greatest likelihood times prior, and the log-likelihood of each, shape (cells,).

    y: shape (days,), NaN is not observed. The prior: the time constant is about 60 days, within a factor.
    """
    wood = np.column_stack([_of_cell(place, grid_pct, climate) for place in range(len(GRID))])
    observed = np.isfinite(y)
    factor = factorised(observed, model)
    others = columns.values[:, OF_WOOD:]
    together = np.column_stack([np.where(observed, y, 0.0), others, wood])
    gram = together.T @ factor.whitened(together)
    shared = 1 + others.shape[1]
    loglik = np.empty(len(GRID))
    for place in range(len(GRID)):
        own = shared + OF_WOOD * place + np.arange(OF_WOOD)
        kept = np.concatenate([[0], own, np.arange(1, shared)])
        loglik[place] = -0.5 * (factor.constant + _misfit(gram[np.ix_(kept, kept)], columns.prior_sd))
    tau = np.array([cell.tau_days for cell in GRID])
    prior = -0.5 * (np.log(tau / USUAL_TAU_DAYS) / TAU_SPREAD) ** 2
    return GRID[int(np.argmax(loglik + prior))], loglik


def _of_cell(place: int, grid_pct: FloatArray, climate: Climate) -> FloatArray:
    biot, tau = divmod(place, TAU_DAYS.size)
    same_film = grid_pct.reshape(-1, len(BIOT), TAU_DAYS.size)[:, biot]
    wood, _ = wood_columns(grid_pct[:, place], by_time_constant(tau, same_film), climate)
    return np.column_stack(wood)


def _misfit(gram: FloatArray, prior_sd: FloatArray) -> float:
    precision = gram[1:, 1:] + np.diag(prior_sd**-2.0)
    explained = gram[1:, 0] @ np.linalg.solve(precision, gram[1:, 0])
    return float(gram[0, 0] - explained + np.linalg.slogdet(precision)[1] + 2 * np.log(prior_sd).sum())
