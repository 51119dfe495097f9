"""The feed and the calendar: whoever has a token in force reads them; nobody else learns of them."""

import logging
import xml.etree.ElementTree as ET

import pytest
from sqlalchemy import Engine

from server.alerts.delivery.fetching import give_token, retire_tokens
from server.alerts.delivery.tables import FeedRow
from server.database import Session, session_of
from server.doors.register import find_door
from server.inspection.results import Slot, save, scope_of
from server.inspection.values import Finding, Inspection
from tests.alerts.delivery.unfolded import events
from tests.dashboards import yard
from tests.dashboards.conftest import HOST, app_over, looks_of

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


def test_a_token_mistyped_around_is_not_in_the_log(alerted: Engine, caplog: pytest.LogCaptureFixture) -> None:
    token, client = token_for(alerted), app_over(alerted).test_client()
    with caplog.at_level(logging.INFO, logger="hangtrue.pages"):
        assert client.get(f"/feed/{token}", base_url=HOST).status_code == 404
    assert "/feed/" in caplog.text
    assert token not in caplog.text


def test_the_same_token_opens_the_calendar(running: Engine) -> None:
    """Its type and charset: RFC 5545, 8.1; that of what is unchanged no text is sent: RFC 9110, 13.1.2."""
    token, client = token_for(running), app_over(running).test_client()
    answer = client.get(f"/feed/{token}.ics", base_url=HOST)
    assert (answer.status_code, answer.content_type) == (200, "text/calendar; charset=utf-8")
    said = [one["SUMMARY"] for one in events(answer.get_data())]
    assert said == [
        "North: corner droop reaches its limit not before May 2027",
        "North: lock rail, hinge side: turn reaches its limit not before May 2027",
    ]
    assert token not in answer.get_data(as_text=True)
    again = client.get(f"/feed/{token}.ics", base_url=HOST, headers={"If-None-Match": answer.headers["ETag"]})
    assert (again.status_code, again.get_data()) == (304, b"")
    other = client.get(f"/feed/{token}.ics", base_url=HOST, headers={"If-None-Match": '"other"'})
    assert other.status_code == 200


def test_what_the_page_still_waits_for_stands_before_what_was_told(two_doors: Engine) -> None:
    """Another series had its first word; the corner's is still to come, and that is what the page says."""
    awaited = yard.result("droop", years=0.5, status="refused", facts={"first_word_day": yard.TODAY + 190})
    told = Finding(topic="news", about="south/first_word@2026-11-20", evidence={})
    with session_of(two_doors) as session:
        door = find_door(session, "saltmarsh-yard/south")
        slot = Slot(scope=scope_of(door.id), slot="2026-11-24", looked=yard.NOW, until_ms=0, took_s=0.1)
        made = Inspection(findings=(told,), series=looks_of({"droop": awaited}))
        save(session, made, slot, door_id=door.id)
    token = token_for(two_doors)
    page = app_over(two_doors).test_client().get(f"/feed/{token}.ics", base_url=HOST)
    (one,) = events(page.get_data())
    assert (one["SUMMARY"], one["DTSTART;VALUE=DATE"]) == ("South: first word about June 2027", "20270602")


def test_the_calendar_is_of_some_doors_alone_and_another_token_opens_none(running: Engine) -> None:
    token, client = token_for(running, doors=[2]), app_over(running).test_client()
    assert events(client.get(f"/feed/{token}.ics", base_url=HOST).get_data()) == []
    for other in ("x", "a" * 70, token[:-1]):
        assert client.get(f"/feed/{other}.ics", base_url=HOST).status_code == 404
    with session_of(running) as session:
        assert retire_tokens(session, "maker", at=yard.NOW) == 1
    assert client.get(f"/feed/{token}.ics", base_url=HOST).status_code == 404
