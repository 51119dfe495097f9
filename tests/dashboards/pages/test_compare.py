"""Two doors side by side: the page, its figure and the same as data."""

import json
from typing import Any

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine

from dashboards.pages import openapi, words
from dashboards.pages.models import CompareOut
from server.inspection.use_said import EVENLY
from tests.dashboards import pair
from tests.dashboards.conftest import HOST, app_over

JOINT = "lock-hinge"


def page_of(engine: Engine, path: str = "/compare") -> str:
    return app_over(engine).test_client().get(path, base_url=HOST).get_data(as_text=True)


def data_of(engine: Engine, query: str = "") -> dict[str, Any]:
    answer = app_over(engine).test_client().get(f"/api/v1/compare{query}", base_url=HOST)
    assert answer.status_code == 200
    told: dict[str, Any] = answer.get_json()
    return told


def test_the_joint_is_compared_by_what_it_carries(paired: Engine) -> None:
    page = page_of(paired)
    assert "Seen so far: \u2068South\u2069’s joint turns more" in page
    assert "For each 100\u00a0N·m it carries" in page
    assert "Nobody declared this beforehand. These doors allow two such comparisons" in page
    assert "Taken out: each turn is for 100 N·m of its own." in page
    assert words.TWO_DOORS in page
    assert f'<option value="{JOINT}" selected>Lock rail, hinge side</option>' in page


def test_what_was_put_in_lies_between_the_bounds(paired: Engine) -> None:
    told = data_of(paired)
    carried = told["moments_n_m"]
    true = pair.TURNS["south"] * 100 / carried[1] - pair.TURNS["north"] * 100 / carried[0]
    assert told["seen_so_far"]["tonight_low"] <= true <= told["seen_so_far"]["tonight_high"]
    assert told["seen_so_far"]["low"] < told["seen_so_far"]["tonight_low"]
    assert (told["word"], told["is_declared"], told["compared"]) == ("b_turns_more", False, JOINT)
    assert told["droop"]["word"] == "not_to_be_compared"


def test_use_is_said_and_counted_per_10_000_openings(paired: Engine) -> None:
    page, told = page_of(paired), data_of(paired)
    often = "\u2068South\u2069 is opened 0.7 times as often. Counted by openings it turns more all the same"
    assert f"{often}: use does not account for it." in page
    assert EVENLY in page  # opened alike every day: openings are years
    assert told["openings_a_year"] == pytest.approx([42 * 365.25, 30 * 365.25], rel=1e-3)
    true = [
        pair.TURNS[name] * 100 / moment / (pair.OPENED[name] * 365.25 / 10_000)
        for name, moment in zip(pair.TURNS, told["moments_n_m"], strict=True)
    ]
    for value, rate in zip(true, told["rates_per_10000"], strict=True):
        assert rate["low"] <= value <= rate["high"]
    assert told["per_10000"]["tonight_low"] <= true[1] - true[0] <= told["per_10000"]["tonight_high"]
    assert told["beside_openings"]["ratio"] > 4
    assert [told["beside_openings"][key] for key in ("difference", "a", "b")] == [None] * 3


def test_the_data_are_as_their_description_says(declared: Engine) -> None:
    described = openapi.description()
    told = data_of(declared)
    assert set(told) == set(described["components"]["schemas"]["CompareOut"]["required"])
    assert CompareOut.model_validate_json(json.dumps(told)).word == told["word"]
    assert "/api/v1/compare" in described["paths"]


def test_turned_round_the_same_joint_is_named(paired: Engine) -> None:
    turned = data_of(paired, "?a=saltmarsh-yard/south&b=saltmarsh-yard/north")
    assert turned["word"] == "a_turns_more"
    assert turned["seen_so_far"]["difference"] == pytest.approx(-data_of(paired)["seen_so_far"]["difference"])


def test_a_wide_band_lets_no_difference_matter(paired: Engine) -> None:
    told = data_of(paired, "?band=1.5")
    assert (told["word"], told["band"]) == ("no_difference_that_matters", 1.5)
    assert "by less than you said matters" in told["more"]


def test_with_a_trial_its_word_stands_and_how_it_was_declared(declared: Engine) -> None:
    page, told = page_of(declared), data_of(declared)
    assert "Seen so far" not in page
    assert "Nobody declared this" not in page
    assert "How it was declared" in page
    for group in (told["trial"][place : place + 4] for place in range(0, 64, 4)):
        assert f"<span>{group}</span>" in page
    assert told["is_declared"]
    assert told["word"] == "b_turns_more"
    assert "Told on" in page
    droop = page_of(declared, "/compare?joint=droop")
    assert "Seen so far: Not to be compared" in droop


def test_the_figure_is_of_turns_for_each_100_n_m(paired: Engine) -> None:
    client = app_over(paired).test_client()
    figure = client.get(f"/figures/pair.json?joint={JOINT}", base_url=HOST).get_json()
    lines = {trace["name"]: trace["y"] for trace in figure["traces"] if trace["role"] == "pair"}
    assert figure["unit"] == "mrad"
    grown = lines["\u2068South\u2069"][-1] - lines["\u2068South\u2069"][0]
    carried = data_of(paired)["moments_n_m"][1]
    assert grown == pytest.approx(pair.TURNS["south"] * pair.YEARS * 100 / carried, rel=0.15)
    assert client.get("/figures/pair.json?joint=droop", base_url=HOST).status_code == 404


def test_doors_without_days_are_not_compared(client: FlaskClient) -> None:
    page = client.get("/compare", base_url=HOST).get_data(as_text=True)
    assert "Seen so far: Not to be compared" in page
    assert "No joint can be compared" in page


@pytest.mark.parametrize(
    ("query", "status"),
    [("?a=saltmarsh-yard/west", 404), ("?joint=top-hinge", 422), ("?band=much", 422), ("?band=-1", 422)],
)
def test_what_is_not_there_is_refused(paired: Engine, query: str, status: int) -> None:
    client = app_over(paired).test_client()
    for path in ("/compare", "/api/v1/compare"):
        assert client.get(path + query, base_url=HOST).status_code == status


def test_without_doors_there_is_nothing_to_compare(empty_client: FlaskClient) -> None:
    page = empty_client.get("/compare", base_url=HOST).get_data(as_text=True)
    assert "It takes two doors that are hung here; none is." in page
    assert empty_client.get("/api/v1/compare", base_url=HOST).status_code == 404
