"""The slab that explains a series best."""

import numpy as np
import pytest

from server.trend.choose import best_cell
from server.trend.climate import Climate, whole_climate
from server.trend.columns import GRID, USUAL_CELL, grid_moisture_pct, made_columns, nearest_cell
from server.trend.likelihood import Model, solved
from tests.trend.records import record, stepped, without

DAILY = stepped(record(900), 400, 0.5)


def climate() -> Climate:
    whole = whole_climate(DAILY.day, without(DAILY.temp_c, (200, 230)), DAILY.rh_pct)
    assert whole is not None
    return whole


@pytest.mark.parametrize("place", [0, 9, 15, 16, 31])
def test_likelihood_of_a_cell_is_that_of_its_own_columns(place: int) -> None:
    air, y, cell = climate(), without(DAILY.value, (100, 120)), GRID[place]
    usual = made_columns(DAILY.day, air, nearest_cell(USUAL_CELL), (400,))
    _, loglik = best_cell(y, usual, grid_moisture_pct(air), air, Model())
    own = made_columns(DAILY.day, air, cell, (400,))
    assert loglik[place] == pytest.approx(solved(y, own.values, own.prior_sd, Model()).loglik, abs=1e-6)


def test_a_leaf_fifty_days_behind_is_found_to_be_about_that() -> None:
    air = climate()
    usual = made_columns(DAILY.day, air, nearest_cell(USUAL_CELL), (400,))
    cell, loglik = best_cell(DAILY.value, usual, grid_moisture_pct(air), air, Model())
    assert 25 < cell.tau_days < 100
    # The record is no slab and its coldest days are slow ones, so no more is asked; the ends are far worse.
    assert loglik.max() > loglik[[0, 15]].max() + 5


def test_nothing_seen_leaves_the_usual_time_constant() -> None:
    air = climate()
    usual = made_columns(DAILY.day, air, nearest_cell(USUAL_CELL), ())
    y = np.where(DAILY.day < 2, DAILY.value, np.nan)
    cell, _ = best_cell(y, usual, grid_moisture_pct(air), air, Model())
    assert cell.tau_days == nearest_cell(USUAL_CELL).tau_days
