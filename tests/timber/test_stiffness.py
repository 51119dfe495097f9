"""Stiffness and creep: the handbook's example, and EN 1995-1-1 table 3.2 (tests/published/timber.json)."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from server.errors import OutOfRangeError
from server.timber.refusals import MissingPropertyError
from server.timber.stiffness import (
    creep_factor,
    is_extrapolated,
    long_term_mm,
    long_term_modulus,
    property_at_mc,
)
from tests.refusals import refuses

FILE: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "published" / "timber.json").read_text("utf-8")
)


@pytest.mark.parametrize("case", FILE["property_at_mc"]["points"], ids=str)
def test_property_at_a_moisture(case: dict[str, float]) -> None:
    """White ash is the handbook's example (inputs from memory); the arithmetic was done apart."""
    value = property_at_mc(case["p12"], case["pgreen"], case["mc"], mp_pct=case["mp"])
    assert float(value) == pytest.approx(case["value"], rel=1e-6)


def test_property_is_whole_at_both_ends() -> None:
    at = property_at_mc(100.0, 60.0, [12.0, 25.0 - 1e-12, 25.0, 80.0, np.nan, -1.0])
    assert at[:4] == pytest.approx([100, 60, 60, 60], rel=1e-9)
    assert np.isnan(at[4:]).all()
    assert is_extrapolated([5.9, 6.0]).tolist() == [True, False]


@pytest.mark.parametrize(("service_class", "factor"), [(1, 0.60), (2, 0.80), (3, 2.00)])
def test_creep_factor_of_solid_timber(service_class: int, factor: float) -> None:
    """EN 1995-1-1, table 3.2."""
    assert creep_factor(service_class) == factor


@pytest.mark.parametrize("case", FILE["creep"]["points"], ids=str)
def test_droop_in_the_long_run(case: dict[str, Any]) -> None:
    assert long_term_mm(case["u_inst_mm"], case["service_class"]) == pytest.approx(
        case["u_fin_mm"], abs=1e-12
    )


def test_modulus_in_the_long_run() -> None:
    assert long_term_modulus(11_720.0, 2) == pytest.approx(11_720 / 1.8)


@pytest.mark.parametrize(
    ("service_class", "material", "needed", "came"),
    [
        (4, "Solid timber", "service class", "4"),
        (0, "Solid timber", "service class", "0"),
        (3, "Plywood, part 1", "plywood, part 1 is made for", "3"),
        (1, "Bamboo", "material of the table", "'Bamboo'"),
    ],
)
def test_refuses_a_blank_cell(service_class: int, material: str, needed: str, came: str) -> None:
    with refuses(MissingPropertyError, asked="creep factor", needed=needed, came=came):
        creep_factor(service_class, material)


@pytest.mark.parametrize(("p12", "green", "mp"), [(0, 1, 25), (1, -1, 25), (1, 1, 12), (np.nan, 1, 25)])
def test_refuses_figures_that_cannot_be(p12: float, green: float, mp: float) -> None:
    with refuses(OutOfRangeError, asked="property", needed="Mp above 12 %", came=f"{mp:g}"):
        property_at_mc(p12, green, 12.0, mp_pct=mp)
    with refuses(OutOfRangeError, asked="property", needed="0 % or more", came="-2"):
        property_at_mc(1.0, 1.0, -2.0)
