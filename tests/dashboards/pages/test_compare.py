"""Two doors side by side, first form."""

from dataclasses import replace

import pytest
from flask.testing import FlaskClient

from dashboards.pages import words
from dashboards.pages.compare import not_compared, pair_lines, unlike, verdict
from dashboards.pages.facts import DoorFacts
from tests.dashboards import yard
from tests.dashboards.conftest import HOST

NB = words.NBSP


def door(name: str, door_id: int, *, rate: float, half: float = 0.03, **other: object) -> DoorFacts:
    made = yard.result("droop", rate=rate, half=half, facts=other)
    return yard.told(name, results={"droop": made}, state="seasonal", door_id=door_id)


def test_an_interval_that_holds_none_cannot_tell() -> None:
    said = verdict(door("north", 1, rate=0.05), door("south", 2, rate=0.02))
    assert said.head == "Can’t tell yet"
    assert said.say == (  # 0.03 each side: half-width 0.0424 by quadrature
        f"\u2068North\u2069’s droop grows 0.03{NB}mm a year more than \u2068South\u2069’s, "
        "but it may be anything from 0.01 less to 0.07 more."
    )


@pytest.mark.parametrize(("north", "south", "head"), [(0.12, 0.02, "North"), (0.02, 0.12, "South")])
def test_the_door_that_grows_more_is_named(north: float, south: float, head: str) -> None:
    said = verdict(door("north", 1, rate=north), door("south", 2, rate=south))
    assert said.head == f"\u2068{head}\u2069’s droop grows more"
    assert f"0.10{NB}mm a year more" in said.say
    assert "between 0.06 and 0.14." in said.say
    assert said.interval is not None


def test_too_short_together_is_not_compared() -> None:
    early = door("north", 1, rate=0.05, first_day=yard.TODAY - 280)
    assert not_compared(early, door("south", 2, rate=0.02)) == (
        f"The two have been heard together for 9{NB}months; it takes a year."
    )


def test_a_refused_rate_is_not_compared_and_says_why() -> None:
    refused = yard.result("droop", status="refused", facts={"collinearity": 5.0})
    told = yard.told(results={"droop": refused}, state="seasonal")
    said = verdict(told, door("south", 2, rate=0.02))
    assert said.head == "Not to be compared"
    assert "One more dry season parts them." in said.say
    assert pair_lines(told, door("south", 2, rate=0.02)) == []


def test_one_door_is_not_two() -> None:
    north = door("north", 1, rate=0.05)
    assert not_compared(north, north) == "It is one door. Choose two."
    assert not_compared(north, yard.told("south", results={}, door_id=2)).startswith(
        "Nothing is known yet of"
    )


def test_a_provisional_rate_is_said() -> None:
    young = yard.result("droop", rate=0.05, status="provisional")
    said = verdict(yard.told(results={"droop": young}), door("south", 2, rate=0.02))
    assert "two seasons are few" in said.more


def test_every_known_difference_says_whether_it_was_taken_out() -> None:
    rows = {row.what: row for row in unlike(yard.told(), yard.told("south", door_id=2))}
    assert rows["Joint"].first == "One deep mortise and tenon"
    assert rows["Carried at this joint"].first == "72\u00a0N·m at the lock rail, hinge side"
    assert rows["Carried at this joint"].second == "66\u00a0N·m at the lock rail, hinge side"
    assert "not their joints" in rows["Carried at this joint"].effect
    assert rows["Leaf"].effect == "No difference: one size."
    assert rows["Damp in the wood, year’s swing"].first == f"4.3{NB}%"
    wide = yard.told("south", door_id=2)
    built = replace(wide.door.built, width_mm=900, species="oak")
    other = replace(wide, door=replace(wide.door, built=built))
    changed = {row.what: row for row in unlike(yard.told(), other)}
    assert "wider leaf" in changed["Leaf"].effect
    assert changed["Timber"].effect.startswith("Not taken out")


def test_a_leaf_that_is_braced_carries_what_is_not_known() -> None:
    wide = yard.told("south", door_id=2)
    panels = tuple(replace(panel, floats=False) for panel in wide.door.built.panels)
    braced = replace(wide, door=replace(wide.door, built=replace(wide.door.built, panels=panels)))
    rows = {row.what: row for row in unlike(yard.told(), braced)}
    assert rows["Carried at this joint"].second == "Not known"


def test_the_page_ends_with_two_doors_are_two_doors(client: FlaskClient) -> None:
    page = client.get("/compare", base_url=HOST).get_data(as_text=True)
    assert "Droop, not the joint" in page
    assert words.TWO_DOORS in page
    assert "The joints themselves are not compared yet" in page
    figure = client.get("/figures/pair.json", base_url=HOST).get_json()
    assert [trace["name"] for trace in figure["traces"] if trace["role"] == "pair"] == [
        "\u2068North\u2069",
        "\u2068South\u2069",
    ]


def test_doors_can_be_chosen_and_unknown_ones_are_refused(client: FlaskClient) -> None:
    turned = "/compare?a=saltmarsh-yard/south&b=saltmarsh-yard/north"
    page = client.get(turned, base_url=HOST).get_data(as_text=True)
    assert '<option value="saltmarsh-yard/south" selected>' in page.split('id="b"')[0]
    assert client.get("/compare?a=saltmarsh-yard/west", base_url=HOST).status_code == 404


def test_without_doors_there_is_nothing_to_compare(empty_client: FlaskClient) -> None:
    page = empty_client.get("/compare", base_url=HOST).get_data(as_text=True)
    assert "It takes two doors that are hung here; none is." in page
