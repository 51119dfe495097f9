"""Alerts read for composing: weights, what is frozen or hidden, names and places, on both databases."""

import pytest
from sqlalchemy.orm import Session

from server.alerts.covering import cover
from server.alerts.delivery.reading import Ledger, read_ledger
from tests.alerts.delivery.stored import AT, BASE_URL, happens, raised, yard


def ledger(session: Session, *also: int) -> Ledger:
    return read_ledger(
        session, also, base_url=BASE_URL, zone="UTC", cover=cover, persons={"mail": frozenset({7})}
    )


def test_what_stands_and_what_is_asked_for(session: Session) -> None:
    door = yard(session)
    raised(session, door)
    over = raised(session, door, topic="leaf", about="north", step="leaf_over")
    happens(session, over, "ended", "2027-03-03", detail="gone")
    assert set(ledger(session).facts) == {1}
    assert set(ledger(session, 2).facts) == {1, 2}
    one, two = (ledger(session, 2).facts[n] for n in (1, 2))
    assert (one.weight, one.rank, one.ended, one.door_id) == ("today", 3, None, door.id)
    assert (two.weight, two.ended, two.how, two.was_covered) == ("soon", "2027-03-03", "gone", True)


def test_words_name_the_door_the_place_and_a_link(session: Session) -> None:
    raised(session, yard(session))
    words = ledger(session).words[1]
    assert (words.word, words.door, words.place) == ("Joint open", "North", "lock rail, hinge side")
    assert words.link == f"{BASE_URL}/alerts#alert-1"
    assert "0.20" in words.say
    assert (words.since.year, words.since.month, words.since.day) == (2027, 3, 2)


@pytest.mark.parametrize(
    ("topic", "about", "step", "place"),
    [
        ("frame", "north/head", "frame_near", "head"),
        ("gauge", "north/lock-hinge-top", "gauge_out", "lock hinge top"),
        ("step", "north/droop@2027-03-01", "step_unlogged", "droop"),
        ("news", "north/line_soon@2027-03-10", "line_soon", ""),
        ("heard", "north", "node_silent", ""),
    ],
)
def test_a_place_is_what_is_inside_the_door(
    session: Session, topic: str, about: str, step: str, place: str
) -> None:
    raised(session, yard(session), topic=topic, about=about, step=step)
    assert ledger(session).words[1].place == place


def test_frozen_seen_back_and_left(session: Session) -> None:
    row = raised(session, yard(session))
    for kind, slot in (("ended", "2027-03-03"), ("back", "2027-03-04"), ("frozen", "2027-03-05")):
        happens(session, row, kind, slot)
    row.ended, row.how, row.seen, row.left_until = None, None, AT, "2027-03-20"
    facts = ledger(session).facts[1]
    assert facts.is_frozen
    assert facts.backs == ("2027-03-04",)
    assert (facts.seen, facts.left_until) == ("2027-03-02", "2027-03-20")
    happens(session, row, "thawed", "2027-03-06")
    assert not ledger(session).facts[1].is_frozen


def test_a_gauge_that_hides_an_open_joint_weighs_as_much(session: Session) -> None:
    row = raised(session, yard(session), topic="gauge", about="north/lock-hinge-top", step="gauge_doubt")
    assert ledger(session).facts[1].weight == "soon"
    happens(session, row, "carries", "2027-03-08", detail="joint_open joint:north/lock-hinge")
    facts = ledger(session).facts[1]
    assert (facts.weight, facts.carries) == ("today", "joint_open joint:north/lock-hinge")
    happens(session, row, "carries", "2027-03-09", detail="leaf_over leaf:north")
    assert ledger(session).facts[1].carries == "joint_open joint:north/lock-hinge"  # the heaviest
    hidden = ledger(session).words[1].hidden
    assert "that joint is open" in hidden
    assert "out of square" in hidden
    happens(session, row, "ended", "2027-03-10")
    assert ledger(session, 1).facts[1].carries is None
    row.ended = row.how = None
    happens(session, row, "back", "2027-03-11")
    assert ledger(session).facts[1].carries is None  # what it hid before is another story


def test_whose_a_failing_channel_is(session: Session) -> None:
    raised(session, yard(session), topic="channel", about="mail", step="channel_failing")
    assert ledger(session).facts[1].persons == frozenset({7})
