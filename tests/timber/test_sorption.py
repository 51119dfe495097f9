"""Sorption against Wood Handbook FPL-GTR-190 (2010), table 4-2, printed to 0.1 % moisture content."""

import csv
from pathlib import Path

import numpy as np
import pytest

from server.errors import OutOfRangeError
from server.timber.sorption import air_flags, emc_pct

TABLE = Path(__file__).parents[1] / "published" / "emc_table.csv"
WORST_MISFIT_PCT = 0.06  # 0.05 from the last printed digit, the rest from degrees F rounded to C


def columns() -> dict[str, list[float]]:
    rows = list(csv.DictReader([line for line in TABLE.read_text("utf-8").splitlines() if line[0] != "#"]))
    return {name: [float(row[name]) for row in rows] for name in rows[0]}


def test_every_cell_of_the_table() -> None:
    table = columns()
    misfit = emc_pct(table["temp_c"], table["rh_pct"]) - table["emc_pct"]
    assert misfit.size == 342
    assert np.abs(misfit).max() <= WORST_MISFIT_PCT


def test_nearly_every_cell_to_the_printed_digit() -> None:
    """332 of 342, at the exact Celsius of the printed Fahrenheit row."""
    table = columns()
    exact = (np.array(table["temp_f"]) - 32) / 1.8
    same = np.round(emc_pct(exact, table["rh_pct"]), 1) == np.array(table["emc_pct"])
    assert same.sum() == 332


@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "pct"),
    [
        (20, 0, 0.0),
        (20, 30, 6.188214),
        (20, 50, 9.271141),
        (20, 65, 11.996267),
        (20, 95, 23.941486),
        (20, 100, 28.838286),
        (30, 65, 11.605163),
        (40, 40, 7.147869),
        (-10, 70, 13.439712),
    ],
)
def test_each_coefficient(temp_c: float, rh_pct: float, pct: float) -> None:
    """The table alone lets 7 of the 12 be 1 % wrong; these were worked in 30-digit arithmetic as well."""
    assert float(emc_pct(temp_c, rh_pct)) == pytest.approx(pct, abs=1e-6)


@pytest.mark.parametrize("temp_c", [-20.0, 20.0, 50.0])
def test_damper_air_makes_damper_wood(temp_c: float) -> None:
    assert (np.diff(emc_pct(temp_c, np.linspace(0, 100, 1001))) > 0).all()


def test_a_gauge_that_overshoots_is_taken_at_the_end_and_flagged() -> None:
    assert float(emc_pct(20, 102)) == float(emc_pct(20, 100))
    assert float(emc_pct(20, -0.4)) == 0.0
    assert air_flags([20, 20, 20], [100, 102, 104]).saturated.tolist() == [False, True, False]


def test_air_colder_than_the_table_is_flagged_and_unclamped() -> None:
    assert float(emc_pct(-20, 65)) == pytest.approx(11.84, abs=0.005)
    assert air_flags([-1.1, -1.2, -41], 65).extrapolated.tolist() == [False, True, False]


def test_one_bad_element_leaves_the_others() -> None:
    temp_c, rh_pct = [20.0, 20.0, np.nan, -50.0], [65.0, 120.0, 65.0, 65.0]
    assert np.isnan(emc_pct(temp_c, rh_pct)).tolist() == [False, True, True, True]
    assert air_flags(temp_c, rh_pct).refused.tolist() == [False, True, False, True]


@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "sentence"),
    [
        (20, 103.5, "moisture content from relative humidity, %: needs -0.5 to 103, got 103.5"),
        (20, -1, "moisture content from relative humidity, %: needs -0.5 to 103, got -1"),
        (-50, 50, "moisture content from air temperature, C: needs -40 to 100, got -50"),
        (101, 50, "moisture content from air temperature, C: needs -40 to 100, got 101"),
    ],
)
def test_refuses_a_single_reading_out_of_range(temp_c: float, rh_pct: float, sentence: str) -> None:
    with pytest.raises(OutOfRangeError) as caught:
        emc_pct(temp_c, rh_pct)
    assert str(caught.value) == sentence
