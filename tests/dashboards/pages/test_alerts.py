"""The page of alerts and its two forms."""

import json
import re
from datetime import timedelta

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine, update

from dashboards.pages import words
from dashboards.pages.alerts import Around, closed_alert, lead, standing_alert
from server.alerts.delivery.posts import NewPost, add_post
from server.alerts.delivery.tables import MessageRow
from server.database import session_of
from tests.dashboards import yard
from tests.dashboards.conftest import HOST, app_over

NB = words.NBSP
AROUND = Around(zone=yard.ZONE, today=yard.NOW.date())


def test_the_lead_counts_and_names_the_first() -> None:
    assert lead([yard.alert()], [], yard.ZONE, None) == "One alert stands. First: North: taking a set."


def test_nothing_stands_is_followed_by_when_the_doors_were_heard() -> None:
    ended = yard.alert("frame_rubs", title="North: rubs", ended=yard.NOW - timedelta(days=278), how="gone")
    assert lead([], [ended], yard.ZONE, "today, 07:31") == (
        f"Nothing stands. Last closed: North: rubs, 19{NB}February{NB}2026. "
        "The doors were last heard today, 07:31."
    )
    assert lead([], [], yard.ZONE, None) == "Nothing stands. No door has been heard yet."


def test_a_standing_alert_in_words() -> None:
    one = standing_alert(yard.alert(seen=yard.NOW), yard.hung("north"), AROUND)
    assert (one.drawing, one.since, one.seen) == (
        "taking_a_set",
        f"15{NB}October{NB}2026",
        f"24{NB}November{NB}2026",
    )
    assert one.href == "/doors/saltmarsh-yard/north"
    assert standing_alert(yard.alert(), None, AROUND).href is None


@pytest.mark.parametrize(
    ("how", "said", "text"),
    [
        ("gone", None, "Its reason went away"),
        ("person", "Eased 0.8 mm off the head.", "Eased 0.8 mm off the head."),
    ],
)
def test_a_closed_alert_says_how_it_ended(how: str, said: str | None, text: str) -> None:
    one = closed_alert(yard.alert(ended=yard.NOW, how=how, words=said), AROUND)
    assert one.ended == text
    assert one.stood == f"15{NB}October to 24{NB}November{NB}2026"


def token_of(client: FlaskClient) -> str:
    """A form's token, from any page that has one, else made in a request of the same session."""
    with client.application.test_request_context("/", base_url=HOST):
        from flask import session
        from flask_wtf.csrf import generate_csrf

        token = str(generate_csrf())
        kept = dict(session)
    with client.session_transaction(base_url=HOST) as ours:
        ours.update(kept)
    return token


@pytest.mark.parametrize(
    ("path", "form", "headers", "status"),
    [
        ("/alerts/7/seen", {}, {}, 400),  # no token
        ("/alerts/7/seen", {"csrf_token": "forged"}, {}, 400),
        ("/alerts/7/seen", {"csrf_token": "OURS"}, {"Sec-Fetch-Site": "cross-site"}, 403),
        ("/alerts/7/seen", {"csrf_token": "OURS"}, {"Origin": "http://evil.example"}, 403),
        ("/alerts/7/seen", {"csrf_token": "OURS", "more": "1"}, {}, 400),
        ("/alerts/7/leave", {"until": "2026-12-01"}, {}, 400),  # no token
        ("/alerts/7/leave", {"csrf_token": "OURS", "until": "soon"}, {}, 400),
        ("/alerts/7/leave", {"csrf_token": "OURS"}, {}, 400),
        ("/alerts/7/leave", {"csrf_token": "OURS", "until": "2026-12-01"}, {}, 404),
        ("/alerts/7/close", {"csrf_token": "OURS", "words": "x" * 2001}, {}, 400),
        ("/alerts/7/seen", {"csrf_token": "OURS"}, {"Origin": HOST, "Sec-Fetch-Site": "same-origin"}, 404),
        ("/alerts/7/close", {"csrf_token": "OURS", "words": "Eased the head."}, {}, 404),
    ],
)
def test_forms_are_locked_and_an_unknown_alert_is_none(
    client: FlaskClient, path: str, form: dict[str, str], headers: dict[str, str], status: int
) -> None:
    token = token_of(client)
    sent = {name: token if value == "OURS" else value for name, value in form.items()}
    answer = client.post(path, data=sent, headers=headers, base_url=HOST)
    assert answer.status_code == status, answer.get_data(as_text=True)[-900:]
    assert re.search(r"<dd>[A-Z]{8}</dd>", answer.get_data(as_text=True))


def test_a_form_is_not_read_by_get(client: FlaskClient) -> None:
    answer = client.get("/alerts/7/seen", base_url=HOST)
    assert answer.status_code == 405
    assert answer.headers["Allow"] == "POST"


def test_nothing_stands_in_a_new_yard(client: FlaskClient) -> None:
    page = client.get("/alerts", base_url=HOST).get_data(as_text=True)
    assert "Nothing stands." in page
    assert "<form" not in page


def sent_from_its_page(client: FlaskClient, act: str, **form: str) -> tuple[int, str]:
    """Send the form of the one alert as its page has it; the status, and the page after it."""
    page = client.get("/alerts", base_url=HOST).get_data(as_text=True)
    action = re.search(rf'action="(/alerts/\d+/{act})"', page)
    token = re.search(r'name="csrf_token" value="([^"]+)"', page)
    assert action is not None
    assert token is not None
    answer = client.post(action[1], data={"csrf_token": token[1], **form}, base_url=HOST)
    return answer.status_code, client.get("/alerts", base_url=HOST).get_data(as_text=True)


def test_a_standing_alert_says_what_to_do_and_is_counted(alerted: Engine) -> None:
    page = app_over(alerted).test_client().get("/alerts", base_url=HOST).get_data(as_text=True)
    assert "One alert stands." in page
    assert "What to do." in page
    assert '<span class="count">1<span class="vh"> standing</span></span>' in page
    assert 'href="/doors/saltmarsh-yard/north"' in page
    assert "#m-opening" in page


def test_a_command_within_a_sentence_is_shown_as_one(alerted: Engine) -> None:
    bits = app_over(alerted).jinja_env.get_template("bits.html").module
    made = bits.coded("Feel <again>: `hangtrue feeler`. Then look.")  # type: ignore[attr-defined]
    assert str(made) == "Feel &lt;again&gt;: <code>hangtrue feeler</code>. Then look."


def test_the_door_and_the_list_show_its_state(alerted: Engine) -> None:
    client = app_over(alerted).test_client()
    page = client.get("/doors/saltmarsh-yard/north", base_url=HOST).get_data(as_text=True)
    assert page.count("Joint opening") >= 2
    assert "An alert stands" in page
    doors = client.get("/api/v1/doors", base_url=HOST).get_json()["doors"]
    assert [(one["name"], one["state"]) for one in doors] == [("north", "opening"), ("south", "seasonal")]


def test_seen_stops_repeats_and_closes_nothing(alerted: Engine) -> None:
    status, after = sent_from_its_page(app_over(alerted).test_client(), "seen")
    assert status == 303
    assert "<dt>Seen</dt>" in after
    assert "One alert stands." in after
    assert "Mark as seen" not in after


def test_it_is_closed_with_words_alone(alerted: Engine) -> None:
    client = app_over(alerted).test_client()
    status, after = sent_from_its_page(client, "close", words="  ")
    assert status == 400
    assert "One alert stands." in after
    status, after = sent_from_its_page(client, "close", words="Tried a feeler: it does not enter <b>.")
    assert status == 303
    assert "Nothing stands." in after
    assert "Tried a feeler: it does not enter &lt;b&gt;." in after


def test_it_is_left_until_a_day_that_may_be(alerted: Engine) -> None:
    client = app_over(alerted).test_client()
    status, after = sent_from_its_page(client, "leave", until="2026-12-24")
    assert status == 303
    assert f"<dt>Left until</dt><dd>24{NB}December{NB}2026</dd>" in after
    assert f"Left until 24{NB}December{NB}2026 by the keeper." in after
    assert "One alert stands." in after
    assert sent_from_its_page(client, "leave", until="2028-12-24")[0] == 422
    assert sent_from_its_page(client, "leave", until="2026-11-24")[0] == 422


def test_its_words_go_into_the_log_of_marks(alerted: Engine) -> None:
    client = app_over(alerted).test_client()
    assert sent_from_its_page(client, "close", words="Clamped and reglued.")[0] == 303
    page = client.get("/doors/saltmarsh-yard/north", base_url=HOST).get_data(as_text=True)
    assert "Closed: Joint opening, lock rail, hinge side. Clamped and reglued." in page


def test_an_alert_has_its_place_and_its_history(alerted: Engine) -> None:
    client = app_over(alerted).test_client()
    page = client.get("/alerts", base_url=HOST).get_data(as_text=True)
    assert 'id="alert-1"' in page
    assert "Raised: Joint opening." in page
    assert "<dt>Sent</dt><dd>to nobody yet</dd>" in page
    sent_from_its_page(client, "close", words="Clamped and reglued.")
    page = client.get("/alerts", base_url=HOST).get_data(as_text=True)
    assert '<tr id="alert-1">' in page
    assert "Ended by the keeper: Clamped and reglued." in page


def test_it_says_that_nobody_is_told_or_that_messages_do_not_pass(alerted: Engine) -> None:
    client = app_over(alerted).test_client()
    assert "Nobody is told of what stands: no channel is set up." in client.get(
        "/alerts", base_url=HOST
    ).get_data(as_text=True)
    with session_of(alerted) as session:
        add_post(session, NewPost(channel="hook"))
    assert "Nobody is told" not in client.get("/alerts", base_url=HOST).get_data(as_text=True)
    with session_of(alerted) as session:
        session.add(message(state="waiting", tries=2, last_word="no answer"))
    page = client.get("/alerts", base_url=HOST).get_data(as_text=True)
    assert "Messages do not pass by hook for 5 hours. Last word: no answer. 1 waits." in page
    with session_of(alerted) as session:
        session.execute(update(MessageRow).values(state="refused", last_word="refused 404"))
    page = client.get("/alerts", base_url=HOST).get_data(as_text=True)
    assert "the other side refuses what is sent by hook. Last word: refused 404." in page


def test_when_it_was_sent_is_shown(alerted: Engine) -> None:
    line = {"kind": "raised", "alert_id": 1, "step": "joint_opening"}
    said = json.dumps({"lines": [line], "standing": None, "data": [], "follows": None, "given_up": []})
    with session_of(alerted) as session:
        add_post(session, NewPost(channel="hook"))
        session.add(message(state="sent", tries=1, sent=yard.NOW, said=said))
    page = app_over(alerted).test_client().get("/alerts", base_url=HOST).get_data(as_text=True)
    assert f"<dt>Sent</dt><dd>24{NB}November{NB}2026</dd>" in page


def message(**given: object) -> MessageRow:
    """A message of the first post that might go five hours ago."""
    due = yard.NOW - timedelta(hours=5)
    usual: dict[str, object] = {
        "key": "msg_1",
        "post_id": 1,
        "slot": "2026-11-24",
        "kind": "night",
        "body": "",
    }
    usual |= {"subject": "", "said": '{"lines": []}', "next_try": due, "expires": due + timedelta(hours=72)}
    return MessageRow(**{**usual, **given})
