"""Woods against the Wood Handbook's own identity of tables 4-3 and 13-5, and who says so."""

import pytest

from server.errors import OutOfRangeError
from server.timber.published import rows
from server.timber.refusals import MissingPropertyError, UnknownSpeciesError
from server.timber.species import (
    UserValue,
    coefficient_from_shrinkage,
    default_species,
    density_kg_m3,
    find_species,
    warnings,
    with_values,
)
from tests.refusals import refuses

BOARD = "my own board, oven-dried 3 May 2026"


def own(name: str, number: float, *, source: str = BOARD, species: str = "sapele") -> UserValue:
    return UserValue(species=species, name=name, number=number, source=source)


def agrees(printed: float, shrinkage: float) -> bool:
    """Within the last printed digit of both, as the tables print them."""
    least = coefficient_from_shrinkage(shrinkage - 0.05) - 5e-6
    return least <= printed <= coefficient_from_shrinkage(shrinkage + 0.05) + 5e-6


def test_identity_of_the_two_forms_on_the_handbook_s_own_rows() -> None:
    """Wood Handbook tables 4-3 and 13-5: 33 of 36 agree both ways; three carry a group mate's coefficient."""
    both = [row for row in rows("species") if (row["c_source"], row["s_source"]) == ("WH13-5", "WH4-3")]
    missing = {
        row["key"]
        for row in both
        if not all(agrees(float(row[f"c_{way}"]), float(row[f"s_{way}"])) for way in "rt")
    }
    assert len(both) == 36
    assert missing == {"green-ash", "sweet-birch", "cedar-elm"}


@pytest.mark.parametrize(
    ("shrinkage", "fsp", "coefficient"),
    [(4.6, 30, 0.001581843), (7.4, 30, 0.00259467), (5.5, 30, 0.001903114), (5.0, 22, 0.002336449)],
)
def test_coefficient_from_shrinkage(shrinkage: float, fsp: float, coefficient: float) -> None:
    assert coefficient_from_shrinkage(shrinkage, fsp) == pytest.approx(coefficient, abs=5e-10)


def test_printed_coefficient_comes_before_the_derived() -> None:
    walnut = find_species("black-walnut").value("c_t")
    assert (walnut.number, walnut.origin) == (0.00274, "default")
    assert walnut.source == "Wood Handbook FPL-GTR-190 (2010), table 13-5"


def test_derived_coefficient_says_so() -> None:
    sapele = find_species("sapele").value("c_t")
    assert sapele.number == pytest.approx(0.00259467, abs=1e-8)
    assert sapele.origin == "derived"
    assert "s_t 7.4 %" in sapele.source


def test_user_comes_before_both_and_goes_again() -> None:
    mine = find_species("sapele", [own("c_t", 0.0028)]).value("c_t")
    assert (mine.number, mine.origin, mine.source) == (0.0028, "user", BOARD)
    assert find_species("sapele").value("c_t").origin == "derived"


def test_user_value_touches_its_own_figure_alone() -> None:
    mine, table = find_species("sapele", [own("c_t", 0.0028)]), find_species("sapele")
    assert {name: value for name, value in mine.values.items() if name != "c_t"} == dict(table.values)


def test_derived_follows_the_user_s_shrinkage() -> None:
    mine = find_species("sapele", [own("s_t", 8.0)]).value("c_t")
    assert mine.number == pytest.approx(1 / (3000 / 8.0 - 20), rel=1e-12)
    assert BOARD in mine.source


def test_tested_board_comes_before_the_user_s_species() -> None:
    wood = find_species("sapele", [own("c_t", 0.0028)])
    assert with_values(wood, [own("c_t", 0.0031)]).value("c_t").number == 0.0031


def test_wood_of_the_user_s_alone() -> None:
    wood = find_species("iroko", [own("c_t", 0.0025, species="iroko")])
    assert wood.value("c_t").number == 0.0025
    assert wood.value("fsp").origin == "default"


def test_unknown_wood_names_the_nearest() -> None:
    with refuses(UnknownSpeciesError, asked="species", needed="sapele", came="'sapelle'"):
        find_species("sapelle")
    with pytest.raises(UnknownSpeciesError) as caught:
        find_species("black walnut")
    assert caught.value.needed.count(",") == 3
    assert "black-walnut" in caught.value.needed


def test_missing_figure_is_never_a_default() -> None:
    with refuses(
        MissingPropertyError, asked="moe_green_mpa of apple", needed="a figure of your own", came="none"
    ):
        find_species("apple").value("moe_green_mpa")
    with refuses(
        MissingPropertyError, asked="c_r of teak", needed="s_r and fsp", came="C_R 0.00101 from memory"
    ):
        find_species("teak").value("c_r")


def test_light_cedar_is_not_derived_with_30() -> None:
    """Its shrinkage begins near 22 %; with that figure of the user's own it is derived."""
    with refuses(MissingPropertyError, asked="c_t", needed="fsp", came="light cedars"):
        find_species("western-redcedar").value("c_t")
    cedar = find_species("western-redcedar", [own("fsp", 22, species="western-redcedar")])
    assert cedar.value("c_t").number == pytest.approx(0.002336449, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "number", "needed"),
    [
        ("c_t", 0.01, "above 0 and below 0.01"),
        ("c_r", 0.0, "above 0 and below 0.01"),
        ("c_t", 0.259, "above 0 and below 0.01"),
        ("s_t", 25.0, "above 0 and below 25"),
        ("moe_12_mpa", 11.7, "500 to 40000"),
        ("moe_green_mpa", 40_001.0, "500 to 40000"),
        ("sg_12", 2.0, "0.05 to 1.4"),
        ("sg_basic", 0.049, "0.05 to 1.4"),
        ("density_12", 55.0, "56 to 1568"),
        ("density_12", 1569.0, "56 to 1568"),
        ("fsp", 50.0, "15 to 40"),
        ("fsp", 14.9, "15 to 40"),
        ("mp", 12.0, "above 12 and below 40"),
        ("d20", 0.0, "above 0"),
        ("c_t", float("nan"), "above 0"),
    ],
)
def test_refuses_a_figure_that_no_wood_has(name: str, number: float, needed: str) -> None:
    with refuses(OutOfRangeError, asked=f"{name} of sapele", needed=needed, came=f"{number:g}"):
        find_species("sapele", [own(name, number)])


@pytest.mark.parametrize(
    ("name", "number"), [("moe_12_mpa", 500.0), ("sg_12", 1.4), ("fsp", 15.0), ("fsp", 40.0), ("c_t", 0.0099)]
)
def test_takes_a_figure_at_the_end_of_what_can_be(name: str, number: float) -> None:
    assert find_species("sapele", [own(name, number)]).value(name).number == number


def test_refuses_a_value_without_a_source_and_an_unknown_figure() -> None:
    with refuses(MissingPropertyError, asked="c_t of sapele", needed="words", came="none"):
        find_species("sapele", [own("c_t", 0.0028, source="  ")])
    with refuses(OutOfRangeError, asked="figure of a wood", needed="c_r, c_t", came="'ct'"):
        find_species("sapele", [own("ct", 0.0028)])


def test_warns_of_figures_the_wrong_way_round() -> None:
    assert warnings(find_species("sapele", [own("s_r", 9.0)])) == (
        "s_r of sapele is greater than s_t: are they the wrong way round?",
    )
    assert [key for key, wood in default_species().items() if warnings(wood)] == []


def test_weight_of_a_leaf() -> None:
    """1.05 x 2.15 m, 54 mm, solid sapele: 81.7 kg at the 670 kg/m3 of the wood-anatomy sheet."""
    sapele = density_kg_m3(find_species("sapele"))
    assert sapele.number * 1.05 * 2.15 * 0.054 == pytest.approx(81.7, abs=0.05)
    assert sapele.origin == "derived"


def test_density_follows_moisture_and_the_user() -> None:
    ash = find_species("white-ash")
    assert density_kg_m3(ash, 0.0).number == pytest.approx(600)
    assert density_kg_m3(ash, 15.0).number == pytest.approx(600 * 1.15)
    heavy = with_values(ash, [own("density_12", 700.0, species="white-ash")])
    assert density_kg_m3(heavy).number == pytest.approx(700.0)
    with refuses(MissingPropertyError, asked="density_12 of apple", needed="figure", came="none"):
        density_kg_m3(find_species("apple"))
    with refuses(OutOfRangeError, asked="density", needed="0 to 200 %", came="-1"):
        density_kg_m3(ash, -1.0)
