"""Fields of a declaration, one by one."""

from datetime import UTC, date, datetime

import pytest

from server.trials.fields import Fields
from server.trials.refusals import DeclarationError
from tests.refusals import refuses


def of(**tree: object) -> Fields:
    return Fields(tree, where="declaration")


@pytest.mark.parametrize("value", [None, "", " ", "x" * 201, "two\nlines", "a\u2028b", "a\u202eb", 7])
def test_text_that_is_none(value: object) -> None:
    with refuses(DeclarationError, asked="declaration, place", needed="text on one line", came=""):
        of(place=value).text("place")


def test_text_is_brought_to_one_form() -> None:
    assert of(place="A\u0308").text("place") == "Ä"
    assert of().text("note", default="") == ""


@pytest.mark.parametrize("value", ["0.05", "12", "0.80", "71.73"])
def test_decimals_stay_as_written(value: str) -> None:
    assert of(band=value).decimal("band") == value


@pytest.mark.parametrize(
    "value", [0.05, 1, "0", "0.0", "-1", "1e3", "05", ".5", "0,05", "NaN", " 1", "\u0661"]
)
def test_decimals_that_are_none(value: object) -> None:
    with refuses(DeclarationError, asked="declaration, band", needed='such as "0.05"', came=repr(value)[:5]):
        of(band=value).decimal("band")


def test_one_number_for_each_joint() -> None:
    assert of(m="70.1").decimals("m", 1) == "70.1"
    assert of(m=["70.1", "60"]).decimals("m", 2) == ["70.1", "60"]
    assert of().decimals("m", 2) is None
    with refuses(DeclarationError, asked="declaration, m", needed="2, one for each joint", came="'70.1'"):
        of(m="70.1").decimals("m", 2)


@pytest.mark.parametrize("value", [date(2026, 12, 23), "2026-12-23"])
def test_days(value: object) -> None:
    assert of(starts_on=value).day("starts_on") == date(2026, 12, 23)


@pytest.mark.parametrize(
    "value", [None, "soon", "2026-02-30", "2026-W52-3", 20261223, datetime(2026, 12, 23, 12, tzinfo=UTC)]
)
def test_days_that_are_none(value: object) -> None:
    with refuses(DeclarationError, asked="declaration, starts_on", needed="such as 2026-12-23", came=""):
        of(starts_on=value).day("starts_on")


@pytest.mark.parametrize("value", [None, 0, -1, True, 1.5, "2"])
def test_whole_numbers_that_are_none(value: object) -> None:
    with refuses(DeclarationError, asked="declaration, version", needed="whole number above 0", came=""):
        of(version=value).whole("version")


def test_what_is_none_of_the_known() -> None:
    with refuses(DeclarationError, asked="declaration, scope", needed="one of doors, kind", came="'all'"):
        of(scope="all").choice("scope", ("doors", "kind"))
    with refuses(DeclarationError, asked="declaration, form", needed="f-1, the one", came="'f-2'"):
        of(form="f-2").constant("form", "f-1")


def test_lists_and_tables_that_are_none() -> None:
    with refuses(DeclarationError, asked="declaration, joints", needed="a list of names", came="'lock'"):
        of(joints="lock").texts("joints")
    with refuses(DeclarationError, asked="declaration, pairs", needed="a list of tables", came="[1]"):
        of(pairs=[1]).list_of("pairs")
    with refuses(DeclarationError, asked="declaration, side_a", needed="a table of fields", came="none"):
        of().inner("side_a")


def test_a_misspelt_field_is_named() -> None:
    fields = of(band="1", bnad="2")
    fields.decimal("band")
    assert fields.has("band")
    with refuses(DeclarationError, asked="declaration", needed="no fields but band", came="'bnad'"):
        fields.refuse_others()


def test_inner_fields_say_where_they_stand() -> None:
    with refuses(DeclarationError, asked="declaration, pairs 2, door", needed="text", came="none"):
        of(pairs=[{}, {}]).list_of("pairs")[1].text("door")
