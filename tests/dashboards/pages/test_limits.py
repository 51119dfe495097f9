"""The page of limits: each with its reason; what was set stands out."""

from flask.testing import FlaskClient
from sqlalchemy import Engine

from dashboards.pages import words
from dashboards.pages.limits import rows_of
from server.alerts.limits import LimitView, set_limits
from server.alerts.limits_table import REASONS
from server.database import session_of
from tests.dashboards import yard
from tests.dashboards.conftest import HOST, app_over

NB = words.NBSP


def test_a_door_and_the_house_have_all_limits_between_them(client: FlaskClient) -> None:
    door = client.get("/alerts/limits/saltmarsh-yard/north", base_url=HOST).get_data(as_text=True)
    house = client.get("/alerts/limits", base_url=HOST).get_data(as_text=True)
    assert door.count('<th scope="row">') + house.count('<th scope="row">') == len(REASONS)
    assert "Turn that stays: joint opening" in door
    assert "Free disk: low under" in house
    assert client.get("/alerts/limits/saltmarsh-yard/west", base_url=HOST).status_code == 404


def test_one_that_was_set_says_so(two_doors: Engine) -> None:
    with session_of(two_doors) as session:
        set_limits(session, 1, {"near_mm": 1.2}, since="2026-11-25", at=yard.NOW, by="command")
    client = app_over(two_doors).test_client()
    page = client.get("/alerts/limits/saltmarsh-yard/north", base_url=HOST).get_data(as_text=True)
    assert f"1.2{NB}mm" in page
    assert f"Set, from 25{NB}November{NB}2026." in page
    assert "1 of its 40 limits is set" in page


def test_a_limit_in_words() -> None:
    one = LimitView(name="near_mm", value=1.0, default=1.0, unit="mm", said="least gap", why="ours: time")
    (row,) = rows_of([one])
    assert (row.what, row.value, row.default, row.why, row.set) == (
        "Least gap",
        f"1{NB}mm",
        "",
        "Ours: time.",
        None,
    )
