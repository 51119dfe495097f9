"""The columns: centred, dated, each in its part."""

from dataclasses import replace

import numpy as np
import pytest

from server.timber.slab import Cell, mean_moisture_pct
from server.trend.climate import Climate, whole_climate
from server.trend.columns import SEASON, Columns, grid_moisture_pct, made_columns, nearest_cell
from server.trend.series import DoorFacts
from tests.trend.records import air, without

DAYS = 800


def climate(*gaps: tuple[int, int]) -> Climate:
    temp_c, rh_pct = air(DAYS)
    whole = whole_climate(np.arange(DAYS), without(temp_c, *gaps), without(rh_pct, *gaps))
    assert whole is not None
    return whole


def columns(*gaps: tuple[int, int], steps: tuple[int, ...] = ()) -> Columns:
    return made_columns(np.arange(DAYS), climate(*gaps), nearest_cell(Cell(tau_days=60.0, biot=1.5)), steps)


def column(made: Columns, name: str) -> np.ndarray:
    return made.values[:, made.names.index(name)]


def test_the_usual_cell_is_of_the_grid() -> None:
    """The 9th of 16 time constants spaced evenly in the logarithm from 8 to 320 days."""
    cell = nearest_cell(Cell(tau_days=60.0, biot=1.5))
    assert cell.tau_days == pytest.approx(8 * 40 ** (8 / 15))
    assert cell.biot == 1.5


def test_moisture_columns_are_centred_on_what_is_kept() -> None:
    made = columns()
    for name in (*SEASON[:4], "temperature"):
        assert column(made, name).mean() == pytest.approx(0.0, abs=1e-10)
    assert column(made, "moisture") + made.means.moisture_pct == pytest.approx(made.moisture_pct)


def test_slower_slab_is_the_growth_with_the_time_constant() -> None:
    made, whole = columns(), climate()
    tau = 8 * 40 ** (8 / 15)
    cells = (Cell(tau_days=tau * 0.99, biot=1.5), Cell(tau_days=tau * 1.01, biot=1.5))
    quick, slow = mean_moisture_pct(whole.emc_pct, whole.temp_c, cells).T
    exact = (slow - quick) / np.log(1.01 / 0.99)
    assert column(made, "slower_slab") == pytest.approx(exact - exact.mean(), abs=0.1 * np.abs(exact).max())


@pytest.mark.parametrize(
    ("name", "day", "value"),
    [
        ("creep", 30, np.log(2)),
        ("hanging", 40, np.exp(-1)),
        ("year_cos", 0, 1.0),
        ("gap@320", 319, 0.0),
        ("gap@320", 320, 1.0),
        ("gap@320", 360, np.exp(-1)),
        ("step@500", 499, 0.0),
        ("step@500", 500, 1.0),
    ],
)
def test_dated_columns(name: str, day: int, value: float) -> None:
    assert column(columns((300, 320), steps=(500,)), name)[day] == pytest.approx(value)


@pytest.mark.parametrize(
    ("name", "part", "prior_sd"),
    [
        ("moisture", "moisture", 0.30),
        ("slower_slab", "moisture", 0.04),
        ("skin", "moisture", 0.02),
        ("square", "moisture", 0.012),
        ("year_sin", "moisture", 0.015),
        ("creep", "secular", 0.06),
        ("hanging", "transient", 0.30),
        ("temperature", "temperature", 0.005),
        ("gap@320", "transient", 0.15),
        ("step@500", "steps", 3.0),
    ],
)
def test_each_column_has_its_part_and_prior(name: str, part: str, prior_sd: float) -> None:
    made = columns((300, 320), steps=(500,))
    place = made.names.index(name)
    assert (made.parts[place], made.prior_sd[place]) == (part, prior_sd)


def test_an_unknown_start_dies_away_as_the_slab_does() -> None:
    """At 20 C the slowest mode of a slab is down to a part in e after its time constant."""
    warm = replace(climate(), temp_c=np.full(DAYS, 20.0))
    cell = nearest_cell(Cell(tau_days=13.0, biot=0.3))
    made = made_columns(np.arange(DAYS), warm, cell, (), DoorFacts(start_sd=0.6))
    starts = [place for place, name in enumerate(made.names) if name.startswith("start@")]
    assert {made.parts[place] for place in starts} == {"transient"}
    assert made.prior_sd[starts] == pytest.approx(0.6 / np.sqrt(3))
    days = np.arange(1, DAYS + 1)
    for place, tau_days in zip(starts, (60.0, 120.0, 240.0), strict=True):
        near = nearest_cell(Cell(tau_days=tau_days, biot=1.5)).tau_days
        assert near == pytest.approx(tau_days, rel=0.13)
        assert made.values[:, place] == pytest.approx(np.exp(-days / near))
    assert not any("start" in name for name in columns().names)


def test_slow_wood_stands_beside_the_slab_that_is_sought() -> None:
    """Each is the mean moisture of its own slab; where it comes from the whole grid it is the same."""
    air = climate()
    cell = nearest_cell(Cell(tau_days=13.0, biot=0.3))
    door = DoorFacts(slow_days=(60.0, 240.0))
    made = made_columns(np.arange(DAYS), air, cell, (), door)
    slow = [place for place, name in enumerate(made.names) if name.startswith("wood@")]
    assert len(slow) == 2
    assert {made.parts[place] for place in slow} == {"moisture"}
    cells = tuple(nearest_cell(Cell(tau_days=days, biot=1.5)) for days in door.slow_days)
    expected = mean_moisture_pct(air.emc_pct, air.temp_c, cells, start_pct=air.start_pct)
    assert np.diff(made.values[:, slow], axis=0) == pytest.approx(np.diff(expected, axis=0), abs=1e-12)
    shared = made_columns(np.arange(DAYS), air, cell, (), door, grid_pct=grid_moisture_pct(air))
    assert shared.values == pytest.approx(made.values, abs=1e-12)


def test_a_slab_that_was_read_starts_there() -> None:
    """By hand: the columns differ by the start alone, which leaves the slab mode by mode."""
    plain = climate()
    read = replace(plain, start_pct=float(plain.emc_pct[:60].mean()) + 3.0)
    cell = nearest_cell(Cell(tau_days=60.0, biot=1.5))
    day = np.arange(DAYS)
    more = made_columns(day, read, cell, ()).moisture_pct - made_columns(day, plain, cell, ()).moisture_pct
    assert more[0] == pytest.approx(3.0, rel=0.05)
    assert (np.diff(more) < 0).all()
    grid = grid_moisture_pct(read) - grid_moisture_pct(plain)
    assert grid[0] == pytest.approx(3.0, rel=0.2)
    shared = made_columns(day, read, cell, (), grid_pct=grid_moisture_pct(read))
    assert shared.moisture_pct == pytest.approx(made_columns(day, read, cell, ()).moisture_pct, abs=1e-12)
