"""The feed: whoever has a token in force reads it; nobody else learns that there is one."""

import xml.etree.ElementTree as ET

from sqlalchemy import Engine

from server.alerts.delivery.fetching import give_token, retire_tokens
from server.alerts.delivery.tables import FeedRow
from server.database import Session, session_of
from tests.dashboards import yard
from tests.dashboards.conftest import HOST, app_over

ATOM = "{http://www.w3.org/2005/Atom}"


def token_for(engine: Engine, doors: list[int] | None = None) -> str:
    with session_of(engine) as session:
        return give_token(session, "maker", doors=doors, at=yard.NOW)


def test_a_token_opens_the_feed_and_is_not_in_it(alerted: Engine) -> None:
    token, client = token_for(alerted), app_over(alerted).test_client()
    answer = client.get(f"/feed/{token}.atom", base_url=HOST)
    assert (answer.status_code, answer.content_type) == (200, "application/atom+xml; charset=utf-8")
    (entry,) = ET.fromstring(answer.get_data()).findall(f"{ATOM}entry")  # noqa: S314  # our own text
    assert entry.findtext(f"{ATOM}title") == "Joint opening: North, lock rail, hinge side"
    assert entry.find(f"{ATOM}link").get("href") == "http://127.0.0.1:8060/alerts#alert-1"  # type: ignore[union-attr]
    assert token not in answer.get_data(as_text=True)
    with Session(alerted) as session:
        assert token not in str(session.query(FeedRow.token).all())


def test_of_some_doors_alone(alerted: Engine) -> None:
    token = token_for(alerted, doors=[2])
    page = app_over(alerted).test_client().get(f"/feed/{token}.atom", base_url=HOST).get_data(as_text=True)
    assert "<entry>" not in page


def test_another_token_opens_nothing(alerted: Engine) -> None:
    token, client = token_for(alerted), app_over(alerted).test_client()
    for other in ("x", "a" * 32, "a" * 70, token[:-1]):
        assert client.get(f"/feed/{other}.atom", base_url=HOST).status_code == 404
    with session_of(alerted) as session:
        assert retire_tokens(session, "maker", at=yard.NOW) == 1
    assert client.get(f"/feed/{token}.atom", base_url=HOST).status_code == 404
