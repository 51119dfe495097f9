"""The outbox on both databases: what is owed becomes one message, marked in the same transaction."""

import json
from datetime import date, timedelta

import numpy as np
import pytest
from sqlalchemy import Engine, func, select, update

from server.alerts.delivery.outbox import Composing, compose, owed_to
from server.alerts.delivery.posts import NewPost, add_post
from server.alerts.delivery.tables import ComposedRow, DueRow, MessageRow
from server.alerts.tables import AlertRow
from server.database import session_of
from tests.alerts.delivery.stored import AT, BASE_URL, composed, happens, messages, raised, with_post, yard


def test_what_is_owed_becomes_a_message_and_is_marked(engine: Engine) -> None:
    door = with_post(engine)
    with session_of(engine) as session:
        raised(session, door)
    assert composed(engine) == [1]
    (message,) = messages(engine)
    assert (message.kind, message.state, message.tries) == ("night", "waiting", 0)
    assert message.subject == "Joint open: North, lock rail, hinge side"
    assert message.next_try == AT
    assert message.expires == AT + timedelta(hours=72)
    assert message.key.startswith("msg_")
    with session_of(engine) as session:
        assert session.scalars(select(DueRow.message_id)).all() == [1]
        assert owed_to(session, 1) == []
    (datum,) = json.loads(message.said)["data"]
    assert set(datum) == {"event", "step", "cause", "sentence", "since", "link"}
    assert (datum["event"], datum["cause"]) == ("raised", "joint:north/lock-hinge")


def test_a_slot_composed_again_says_what_came_since_alone(engine: Engine) -> None:
    door = with_post(engine)
    with session_of(engine) as session:
        raised(session, door)
    assert composed(engine) == [1]
    assert composed(engine) == []
    with session_of(engine) as session:
        raised(session, door, topic="heard", about="north", step="node_silent")
    assert composed(engine, seed=2) == [2]
    assert messages(engine)[1].subject == "Not heard: North"
    with session_of(engine) as session:
        assert session.scalar(select(func.count()).select_from(ComposedRow)) == 1


def test_the_months_sheet_comes_once_though_nothing_stands(engine: Engine) -> None:
    with_post(engine)
    assert composed(engine, "2027-04-01") == [1]
    assert composed(engine, "2027-04-01") == []
    (sheet,) = messages(engine)
    assert (sheet.kind, sheet.expires - sheet.next_try) == ("month", timedelta(hours=24))
    assert sheet.body.startswith("Nothing stands.\nNo doors were heard. North: never heard.\n")


def test_quiet_hours_put_off_the_first_try(engine: Engine) -> None:
    door = with_post(engine, quiet="21:00-06:00")
    with session_of(engine) as session:
        raised(session, door)
    composed(engine)
    (message,) = messages(engine)
    assert message.next_try == AT.replace(hour=6, minute=0)
    assert message.expires - message.next_try == timedelta(hours=72)


def test_nothing_is_kept_when_the_transaction_ends_early(engine: Engine) -> None:
    door = with_post(engine)

    def stop(point: str) -> None:
        if point == "composed":
            raise RuntimeError(point)

    def writes() -> None:
        with session_of(engine) as session:
            raised(session, door)
            stop("composed")

    def composes() -> None:
        with session_of(engine) as session:
            what = Composing(slot="2027-03-02", at=AT, zone="UTC", base_url=BASE_URL, reached=stop)
            compose(session, what, rng=np.random.default_rng(1))

    with pytest.raises(RuntimeError, match="composed"):
        writes()
    assert composed(engine) == []
    with session_of(engine) as session:
        assert session.scalar(select(func.count()).select_from(DueRow)) == 0
        raised(session, door)
    with pytest.raises(RuntimeError, match="composed"):
        composes()
    assert messages(engine) == []
    assert len(composed(engine)) == 1


def test_an_end_goes_to_whom_the_beginning_went_and_later_mails_follow_the_first(engine: Engine) -> None:
    door = with_post(engine)
    with session_of(engine) as session:
        raised(session, door)
    composed(engine)
    with session_of(engine) as session:
        happens(session, session.get_one(AlertRow, 1), "ended", "2027-03-05", detail="gone")
    assert composed(engine, "2027-03-05") == []  # an end waits for Monday
    assert composed(engine, "2027-03-08", seed=3) == [2]
    first, second = messages(engine)
    assert second.subject.startswith("Over: joint open: North")
    assert json.loads(second.said)["follows"] == first.key
    assert json.loads(first.said)["follows"] is None


def test_what_was_given_up_stands_first_in_the_next_until_one_passes(engine: Engine) -> None:
    door = with_post(engine)
    with session_of(engine) as session:
        raised(session, door)
    composed(engine)
    with session_of(engine) as session:
        session.execute(update(MessageRow).values(state="expired"))
        raised(session, door, topic="heard", about="north", step="node_silent", slot="2027-03-06")
    composed(engine, "2027-03-06", seed=2)
    second = messages(engine)[1]
    assert second.body.startswith("A message did not reach you: Joint open: North, lock rail, hinge side\n\n")
    with session_of(engine) as session:
        session.execute(update(MessageRow).where(MessageRow.id == 2).values(state="expired"))
    composed(engine, "2027-04-01", seed=3)
    third = messages(engine)[2]
    assert third.body.count("A message did not reach you") == 2  # the second never passed: both are told
    with session_of(engine) as session:
        session.execute(update(MessageRow).where(MessageRow.id == 3).values(state="sent"))
    composed(engine, "2027-05-01", seed=4)
    assert "did not reach you" not in messages(engine)[3].body


def test_a_new_post_is_told_what_stands(engine: Engine) -> None:
    with session_of(engine) as session:
        door = yard(session)
        raised(session, door)
        add_post(session, NewPost(channel="hook"))
    assert composed(engine, "2027-03-10") == [1]
    assert messages(engine)[0].body.startswith(
        "What stands:\nJoint open: North, lock rail, hinge side, since"
    )
    assert composed(engine, "2027-03-10") == []
    assert composed(engine, "2027-03-11") == []


def test_a_covered_alert_waits_and_is_said_when_its_cover_lifts(engine: Engine) -> None:
    door = with_post(engine)
    with session_of(engine) as session:
        joint = raised(session, door)
        raised(session, door, topic="leaf", about="north", step="leaf_over")
    composed(engine)
    with session_of(engine) as session:
        assert [one.waits for one in owed_to(session, 1)] == ["covered"]
        happens(session, session.merge(joint), "ended", "2027-03-03", detail="gone")
    composed(engine, "2027-03-03", seed=2)
    said = [[line["kind"] for line in json.loads(one.said)["lines"]] for one in messages(engine)]
    assert said == [["raised"], ["raised", "ended"]]
    assert messages(engine)[1].subject == "Out of square: North and 1 more"


def test_what_was_covered_and_is_over_before_its_cover_lifts_is_never_said(engine: Engine) -> None:
    """Also when no message was made between: the service was off for both nights."""
    door = with_post(engine)
    with session_of(engine) as session:
        raised(session, door)
        leaf = raised(session, door, topic="leaf", about="north", step="leaf_over")
        happens(session, leaf, "ended", "2027-03-04", detail="gone")
    composed(engine, "2027-03-05")
    assert [len(json.loads(one.said)["lines"]) for one in messages(engine)] == [1]


def test_repeats_come_four_times(engine: Engine) -> None:
    door = with_post(engine)
    with session_of(engine) as session:
        raised(session, door)
    composed(engine)
    slots = []
    for k in range(1, 61):
        slot = (date(2027, 3, 2) + timedelta(days=k)).isoformat()
        if composed(engine, slot, seed=k) and "Still" in messages(engine)[-1].body:
            slots.append(slot)
    assert slots == ["2027-03-05", "2027-03-12", "2027-03-19", "2027-03-26"]
