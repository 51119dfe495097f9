"""Movement against hand arithmetic with the Wood Handbook's own figures (tests/published/timber.json)."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.errors import OutOfRangeError
from server.timber.movement import Direction, Section, coefficient, gap_change_mm, size_change
from server.timber.refusals import MissingPropertyError
from server.timber.species import Species, UserValue, find_species, with_values
from tests.refusals import refuses

LAW = settings(derandomize=True, database=None, deadline=None, max_examples=60)
PUBLISHED = Path(__file__).parents[1] / "published"
CASES: list[dict[str, Any]] = json.loads((PUBLISHED / "timber.json").read_text("utf-8"))["movement"]["change"]
SAPELE, OAK = find_species("sapele"), find_species("commercial-white-oak")


def wood(name: str, number: float) -> Species:
    return with_values(OAK, [UserValue(species=OAK.key, name=name, number=number, source="a case")])


def section(size_mm: float, species: Species = SAPELE, direction: Direction = "tangential") -> Section:
    return Section(size_mm=size_mm, species=species, direction=direction)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_published_case(case: dict[str, Any]) -> None:
    figure, form = (("c_t", "coefficient"), ("s_t", "green"))["s" in case]
    piece = section(case["size_mm"], wood(figure, float(case.get("c") or case["s"])))
    change = size_change(piece, case["from"], case["to"], form=form)  # type: ignore[arg-type]  # one of two words
    assert float(change.change_mm) == pytest.approx(case["change_mm"], abs=1e-6)


def test_flat_sawn_stile_drying() -> None:
    """120 mm, 12 to 8 %: white oak 1.752 mm by table 13-5, sapele 1.245 mm by its derived coefficient."""
    assert float(size_change(section(120, OAK), 12, 8).change_mm) == pytest.approx(-1.752, abs=1e-9)
    assert float(size_change(section(120), 12, 8).change_mm) == pytest.approx(-1.2454, abs=5e-5)
    radial = section(120, direction="radial")
    assert float(size_change(radial, 12, 8).change_mm) == pytest.approx(-0.7593, abs=5e-5)


def test_definition_of_shrinkage() -> None:
    """Green to ovendry is S by definition."""
    assert float(size_change(section(100), 30, 0).change_mm) == pytest.approx(-7.4, abs=1e-9)


def test_auto_takes_the_coefficient_between_6_and_14() -> None:
    change = size_change(section(180), 12, [5.9, 6, 12, 14, 14.1, np.nan])
    assert change.green.tolist() == [True, False, False, False, True, False]
    assert change.coefficient is not None
    assert change.shrinkage is not None
    assert np.isnan(change.change_mm).tolist() == [False] * 5 + [True]
    assert size_change(section(180), 15, 12).green


def test_the_forms_differ_by_half_a_per_cent_at_the_edge() -> None:
    both = [
        float(size_change(section(120), 12, 14, form=form).change_mm) for form in ("coefficient", "green")
    ]
    assert both == pytest.approx([0.6227, 0.6195], abs=5e-5)


def test_a_chain_of_steps_falls_short() -> None:
    """Why one reference: 120 mm sapele, 4 % down and up again in a chain, is 0.0129 mm short."""
    down = 120 + float(size_change(section(120), 12, 8).change_mm)
    assert down + float(size_change(section(down), 8, 12).change_mm) == pytest.approx(120 - 0.0129, abs=5e-5)


@LAW
@given(st.floats(0, 29), st.floats(0, 29), st.floats(0, 29), st.floats(1, 400))
def test_green_form_telescopes(first: float, second: float, third: float, size_mm: float) -> None:
    middle = size_mm + float(size_change(section(size_mm), first, second, form="green").change_mm)
    end = middle + float(size_change(section(middle), second, third, form="green").change_mm)
    straight = size_mm + float(size_change(section(size_mm), first, third, form="green").change_mm)
    assert end == pytest.approx(straight, rel=1e-11)


@LAW
@given(st.floats(6, 14), st.floats(6, 14), st.floats(1, 400))
def test_twice_the_width_moves_twice(first: float, second: float, size_mm: float) -> None:
    one = float(size_change(section(size_mm), first, second).change_mm)
    assert float(size_change(section(2 * size_mm), first, second).change_mm) == pytest.approx(
        2 * one, rel=1e-12
    )


def test_mixed_grain_lies_between() -> None:
    radial, tangential = (coefficient(OAK, way).number for way in ("radial", "tangential"))
    assert coefficient(OAK, "mixed", ring_angle_deg=0).number == pytest.approx(tangential)
    assert coefficient(OAK, "mixed", ring_angle_deg=90).number == pytest.approx(radial)
    assert coefficient(OAK, "mixed", ring_angle_deg=45).number == pytest.approx((radial + tangential) / 2)
    half = Section(size_mm=100, species=SAPELE, direction="mixed", ring_angle_deg=45)
    assert size_change(half, 30, 0).change_mm == pytest.approx(-(4.6 + 7.4) / 2)


def test_along_the_grain() -> None:
    """A 2 150 mm stile and 4 % MC: 0.43 mm, the size of an early droop."""
    stile = section(2150, direction="longitudinal")
    assert size_change(stile, 12, [8, 16, 40]).change_mm == pytest.approx([-0.43, 0.43, 1.935])
    cedar = section(2150, find_species("western-redcedar"), "longitudinal")
    assert size_change(cedar, 12, [40]).change_mm == pytest.approx([1.935])
    assert "American Wood Council" in coefficient(SAPELE, "longitudinal").source


def test_gap_loses_what_wood_gains() -> None:
    assert float(gap_change_mm(section(120, OAK), 8, 12)) == pytest.approx(-1.752, abs=1e-9)


@pytest.mark.parametrize(
    ("piece", "mc_from", "mc_to", "asked", "needed", "came"),
    [
        (section(0), 12, 8, "size", "above 0 mm", "0"),
        (section(120), -1, 8, "moisture", "0 to 200 %", "-1"),
        (section(120), 12, 201, "moisture", "0 to 200 %", "201"),
        (section(120), float("nan"), 12, "moisture", "0 to 200 %", "nan"),
        (section(120, direction="across"), 12, 8, "direction", "radial, tangential", "'across'"),  # type: ignore[arg-type]  # refused
    ],
)
def test_refuses(piece: Section, mc_from: float, mc_to: float, asked: str, needed: str, came: str) -> None:
    with refuses(OutOfRangeError, asked=asked, needed=needed, came=came):
        size_change(piece, mc_from, mc_to)


def test_refuses_a_form_it_does_not_know_and_a_figure_it_lacks() -> None:
    with refuses(OutOfRangeError, asked="form", needed="auto, coefficient, green", came="'13-2'"):
        size_change(section(120), 12, 8, form="13-2")  # type: ignore[arg-type]  # refused
    with refuses(MissingPropertyError, asked="s_t of commercial-white-oak", needed="own", came="none"):
        size_change(section(120, OAK), 12, 16)


def test_one_bad_day_leaves_the_others() -> None:
    """White oak has no shrinkage of its own in the tables: a damp day is refused, not the whole series."""
    change = size_change(section(120, OAK), 12, [8.0, 16.0, np.nan, -1.0, 10.0])
    assert change.refused.tolist() == [False, True, False, True, False]
    assert np.isnan(change.change_mm).tolist() == [False, True, True, True, False]
    assert change.change_mm[[0, 4]] == pytest.approx([-1.752, -0.876], abs=1e-9)
    assert size_change(section(120, OAK), 12, [np.nan]).refused.tolist() == [False]
    along = size_change(section(120, direction="longitudinal"), 12, [8.0, 300.0])
    assert along.refused.tolist() == [False, True]
    with refuses(MissingPropertyError, asked="s_t of commercial-white-oak", needed="own", came="none"):
        size_change(section(120, OAK), 12, [15.0, 16.0])
