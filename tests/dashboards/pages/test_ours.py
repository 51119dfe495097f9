"""What every page is handed."""

from flask.testing import FlaskClient
from sqlalchemy import Engine

from dashboards.pages.ours import all_facts, ours, sheet, theme, zone_of
from server.database import Session
from tests.dashboards import yard
from tests.dashboards.conftest import HOST, app_over


def test_facts_of_every_door_come_from_the_database(two_doors: Engine) -> None:
    with app_over(two_doors).test_request_context("/", base_url=HOST), Session(two_doors) as session:
        told = all_facts(session)
        assert {one.door.name for one in told} == {"north", "south"}
        north = next(one for one in told if one.door.name == "north")
        known = yard.told().main
        assert north.main is not None
        assert known is not None
        assert north.main.split == known.split
        frame = sheet(session, title="Doors", nav="doors", heard=[one.door for one in told])
        assert (frame.last_heard, frame.standing) == ("today, 07:31", 0)
        assert zone_of(north.door) == yard.ZONE


def test_a_theme_is_one_of_two(client: FlaskClient) -> None:
    for cookie, chosen in (("paper", "paper"), ("slate", "slate"), ("pink", None)):
        with client.application.test_request_context("/", headers={"Cookie": f"sheet={cookie}"}):
            assert theme() == chosen
            assert ours().invented is True
