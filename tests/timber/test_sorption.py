"""Sorption against Wood Handbook FPL-GTR-190 (2010), table 4-2, printed to 0.1 % moisture content."""

import csv
import json
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.errors import OutOfRangeError
from server.timber.sorption import (
    air_flags,
    daily_emc_pct,
    dew_flags,
    emc_pct,
    rh_for_emc,
    rh_from_dew_point_pct,
    saturation_pa,
)
from tests.refusals import refuses

LAW = settings(derandomize=True, database=None, deadline=None, max_examples=60)
TABLE = Path(__file__).parents[1] / "published" / "emc_table.csv"
CASES: dict[str, Any] = json.loads((TABLE.parent / "timber.json").read_text("utf-8"))
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


@pytest.mark.parametrize("point", CASES["emc"]["points"], ids=str)
def test_moisture_worked_in_thirty_digits(point: dict[str, float]) -> None:
    assert float(emc_pct(point["t"], point["rh"])) == pytest.approx(point["emc"], abs=1e-6)


@pytest.mark.parametrize("point", CASES["rh_for_emc"]["points"], ids=str)
def test_humidity_for_a_moisture(point: dict[str, float]) -> None:
    assert rh_for_emc(point["t"], point["emc"]) == pytest.approx(point["rh"], abs=1e-5)


@LAW
@given(st.floats(-20, 60), st.floats(0, 100))
def test_humidity_and_moisture_undo_one_another(temp_c: float, rh_pct: float) -> None:
    assert rh_for_emc(temp_c, float(emc_pct(temp_c, rh_pct))) == pytest.approx(rh_pct, abs=1e-6)


@pytest.mark.parametrize(("mc_pct", "came"), [(-0.1, "-0.1"), (28.9, "28.9")])
def test_refuses_a_moisture_that_no_air_gives(mc_pct: float, came: str) -> None:
    with refuses(OutOfRangeError, asked="at 20 C", needed="0 to 28.84 %", came=came):
        rh_for_emc(20, mc_pct)


AIRS = [(20.0, 10.0), (30.0, 29.9), (5.0, 0.5), (60.0, 12.0), (0.5, 0.1)]


@pytest.mark.parametrize(("temp_c", "dew_c"), AIRS)
def test_dew_point_as_the_reference_library(temp_c: float, dew_c: float) -> None:
    """Psychrolib 2.5 (ASHRAE Handbook of Fundamentals 2017), SI; above 0.01 C both are over water."""
    psychrolib = pytest.importorskip("psychrolib")
    psychrolib.SetUnitSystem(psychrolib.SI)
    wanted = 100 * psychrolib.GetRelHumFromTDewPoint(temp_c, dew_c)
    assert float(rh_from_dew_point_pct(temp_c, dew_c)) == pytest.approx(wanted, abs=1e-9)


@pytest.mark.parametrize("temp_c", [0.5, 20.0, 60.0])
def test_pressure_over_water_as_the_reference_library(temp_c: float) -> None:
    psychrolib = pytest.importorskip("psychrolib")
    psychrolib.SetUnitSystem(psychrolib.SI)
    assert float(saturation_pa(temp_c)) == pytest.approx(psychrolib.GetSatVapPres(temp_c), rel=1e-9)


@pytest.mark.parametrize("temp_c", [-35.0, -10.0, -0.5])
def test_ice_as_the_reference_library(temp_c: float) -> None:
    """Psychrolib's pressure below 0.01 C is over ice; over water it is higher."""
    psychrolib = pytest.importorskip("psychrolib")
    psychrolib.SetUnitSystem(psychrolib.SI)
    ice = float(saturation_pa(temp_c, over="ice"))
    assert ice == pytest.approx(psychrolib.GetSatVapPres(temp_c), rel=1e-9)
    assert float(saturation_pa(temp_c)) > ice


def test_dew_point_by_hand() -> None:
    assert float(rh_from_dew_point_pct(20, 10)) == pytest.approx(52.505, abs=0.02)


def test_frost_is_read_over_ice_only_when_asked() -> None:
    over_water, over_ice = (float(rh_from_dew_point_pct(5, -10, over=over)) for over in ("water", "ice"))
    assert over_ice / over_water == pytest.approx(float(saturation_pa(-10, over="ice") / saturation_pa(-10)))
    assert float(rh_from_dew_point_pct(5, 2, over="ice")) == float(rh_from_dew_point_pct(5, 2))


def test_dew_a_little_above_its_air_is_saturated_air() -> None:
    temp, dew = [20.0, 20.0, 20.0, np.nan], [20.4, 20.6, 12.0, 12.0]
    rh = rh_from_dew_point_pct(temp, dew)
    assert rh[0] == 100.0
    assert np.isnan(rh).tolist() == [False, True, False, True]
    assert dew_flags(temp, dew).saturated.tolist() == [True, False, False, False]
    assert dew_flags(temp, dew).refused.tolist() == [False, True, False, False]
    with refuses(OutOfRangeError, asked="dew point", needed="0.5 K above", came="20.6 in air of 20"):
        rh_from_dew_point_pct(20, 20.6)


@pytest.mark.parametrize(("temp_c", "dew_c"), [(-35, -40.1), (100.1, 20)])
def test_dew_point_outside_what_air_can_be_is_refused(temp_c: float, dew_c: float) -> None:
    with refuses(
        OutOfRangeError, asked="dew point", needed="-40 to 100 C", came=f"{dew_c:g} in air of {temp_c:g}"
    ):
        rh_from_dew_point_pct(temp_c, dew_c)
    assert not dew_flags([-40, 100], [-40, 20]).refused.any()


def test_day_needs_twelve_samples_over_eighteen_hours() -> None:
    pct = daily_emc_pct([20, 20, 20, np.nan], 65, samples=[12, 11, 24, 24], covered_h=[18, 24, 17.9, 24])
    assert np.isnan(pct).tolist() == [False, True, True, True]
    assert pct[0] == pytest.approx(11.996267, abs=1e-6)


MONTHS = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
Hours = tuple[np.ndarray[Any, Any], ...]


@pytest.fixture(scope="module")
def greensboro() -> Hours:
    """Day of the year, month, air and humidity of each hour of a typical year, as the file writes them."""
    if (found := find_spec("pvlib")) is None or found.origin is None:
        pytest.skip("pip install pvlib to read its typical years")
    path = Path(found.origin).with_name("data") / "723170TYA.CSV"
    hours = list(csv.DictReader(path.read_text("utf-8").splitlines()[1:]))
    month = np.array([int(hour["Date (MM/DD/YYYY)"][:2]) for hour in hours])
    number = [[float(hour[name]) for hour in hours] for name in ("Dry-bulb (C)", "RHum (%)")]
    return np.arange(len(hours)) // 24, month, *(np.array(column) for column in number)


def outdoor(basis: str) -> list[float]:
    text = (TABLE.parent / "emc_outdoor.csv").read_text("utf-8").splitlines()
    found = [
        row
        for row in csv.DictReader(line for line in text if not line.startswith("#"))
        if row["place"].startswith("Greensboro") and row["basis"].startswith(basis)
    ]
    assert found[0]["provenance"] == "recomputed"
    return [float(found[0][month]) for month in MONTHS]


def test_moisture_of_monthly_means(greensboro: Hours) -> None:
    """Typical year of Greensboro NC from pvlib; the hour that ends a month falls into the next one."""
    _, month, temp, rh = greensboro
    later = np.append(month[1:], 1)
    ends = np.where(np.arange(month.size) % 24 == 23, later, month)
    means = [(temp[ends == m].mean(), rh[ends == m].mean()) for m in range(1, 13)]
    wanted = outdoor("EMC of monthly mean T and RH, hour 24:00")
    assert [float(emc_pct(*mean)) for mean in means] == pytest.approx(wanted, abs=0.01)


def test_moisture_of_daily_means_is_what_the_product_takes(greensboro: Hours) -> None:
    """It differs from the month's own mean by up to 1.1 % MC: the bases are not to be mixed."""
    day, month, temp, rh = greensboro
    mean = [np.bincount(day, column) / 24 for column in (temp, rh)]
    daily = daily_emc_pct(mean[0], mean[1], samples=24, covered_h=24.0)
    by_month = [daily[month[::24] == m].mean() for m in range(1, 13)]
    assert by_month == pytest.approx(outdoor("mean over days"), abs=0.01)
