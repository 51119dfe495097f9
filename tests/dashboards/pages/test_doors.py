"""The list of doors."""

import re

from flask.testing import FlaskClient

from dashboards.pages import words
from dashboards.pages.doors import in_a_row, lead, site_words
from tests.dashboards import yard
from tests.dashboards.conftest import HOST


def test_the_lead_names_the_door_to_look_at() -> None:
    north, south = yard.told(state="open"), yard.told("south", state="seasonal", door_id=2)
    name = words.isolated("North")
    assert lead([north, south]) == (
        f"Two doors at Saltmarsh Yard. {name} has a joint that stands open; look at it today."
    )
    both = lead([yard.told(state="not_heard"), yard.told("south", state="not_heard", door_id=2)])
    assert both.endswith(f"{name} and {words.isolated('South')} are not heard.")


def test_the_lead_without_a_pressing_door_soothes_nobody() -> None:
    quiet = lead([yard.told(state="true")])
    assert quiet == (
        "One door at Saltmarsh Yard. "
        "No joint is shown to be opening, and no growth of what stays is told apart from none."
    )
    early = yard.result("droop", status="refused", years=0.3)
    assert lead([yard.told(results={"droop": early}, state="settling")]).endswith(
        "Too little is heard yet to part season from set."
    )
    assert lead([yard.told(results={}, state="settling")]).endswith("so nothing is told of them.")
    assert lead([]) == "Nothing is being watched."


def test_names_in_a_row() -> None:
    assert in_a_row(["a", "b", "c"]) == "\u2068a\u2069, \u2068b\u2069 and \u2068c\u2069"
    assert site_words("saltmarsh-yard") == "Saltmarsh Yard"


def test_the_page_lists_both_doors_with_their_drawings(client: FlaskClient) -> None:
    page = client.get("/", base_url=HOST).get_data(as_text=True)
    hrefs = re.findall(r'<h2><a href="(/doors/[^"]+)">', page)
    assert sorted(hrefs) == ["/doors/saltmarsh-yard/north", "/doors/saltmarsh-yard/south"]
    assert page.count('<svg class="spark"') == 2
    assert "data-figure" not in page


def test_an_empty_yard_says_what_to_do_first(empty_client: FlaskClient) -> None:
    page = empty_client.get("/", base_url=HOST).get_data(as_text=True)
    assert "No door is hung yet" in page
    assert "hangtrue door add FILE" in page
    assert '<ul class="doors">' not in page
