"""Texts of messages: subjects of the published cases, five lines a cause, sheets, floods, hostile names."""

from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.alerts.delivery.facts import Draft, Line
from server.alerts.delivery.wording import (
    CAUTION,
    AlertWords,
    Around,
    DoorHeard,
    body,
    clean,
    subject,
    subject_of,
)
from tests.alerts.delivery.cases import cases, names

NOW = datetime(2027, 4, 1, 5, tzinfo=UTC)
JOINT = AlertWords(
    word="Joint open",
    door="North",
    place="lock rail, hinge side",
    say="What stays of its turn has passed 0.17 mrad and is 0.20 now; part of its range is over it.",
    do=f"Try a feeler in the shoulder. {CAUTION}",
    since=date(2027, 3, 8),
    link="http://127.0.0.1:8060/alerts#alert-1",
    hidden="If the gauge is right, that joint is open.",
)
WORDS = dict.fromkeys(range(1, 9), JOINT)
AROUND = Around(now=NOW, zone="Europe/London", link="http://127.0.0.1:8060/alerts")


def line(kind: str = "raised", alert_id: int = 1, detail: str = "") -> Line:
    shape = {"step": "joint_open", "weight": "today", "rank": 3, "door_id": 1}
    return Line(kind=kind, alert_id=alert_id, detail=detail, **shape)  # type: ignore[arg-type]  # of both types


@pytest.mark.parametrize("case", cases("subject"), ids=names("subject"))
def test_published_subjects(case: dict[str, object]) -> None:
    made = subject(
        str(case["word"]), door=str(case["door"]), place=str(case["place"]), more=int(str(case["more"]))
    )
    assert made == case["expect"]


@given(st.text(max_size=80), st.text(max_size=80), st.text(max_size=80), st.integers(0, 200))
def test_a_subject_is_one_line_of_at_most_sixty(word: str, door: str, place: str, more: int) -> None:
    made = subject(word, door=door, place=place, more=more)
    assert len(made) <= 60
    assert made == clean(made)


def test_one_cause_takes_five_lines() -> None:
    text = body(Draft(kind="night", lines=(line(),)), WORDS, AROUND)
    assert text.splitlines() == [
        "Joint open: North, lock rail, hinge side. What stays of its turn has passed 0.17 mrad and is 0.20 "
        "now; part of its range is over it.",
        "Since 8 March 2027.",
        "Try a feeler in the shoulder.",
        "Not a safety device: look at the door itself.",
        "http://127.0.0.1:8060/alerts#alert-1",
    ]


@pytest.mark.parametrize(
    ("kind", "detail", "said"),
    [
        ("rose", "", "Worse: Joint open: North"),
        ("eased", "", "Eased: Joint open: North"),
        ("still", "", "nobody has seen it yet"),
        ("chatter", "", "Comes and goes: Joint open"),
        ("ended", "gone", "hinge side. It is gone."),
        ("ended", "person", "Closed by a person."),
        ("over", "gone", "Over by now: Joint open"),
        ("passed", "", "Came and went: Joint open"),
        ("contradicted", "", "Readings that came later show that it did not hold."),
        (
            "carries",
            "joint_open joint:north/lock-hinge",
            "is over it. If the gauge is right, that joint is open.",
        ),
    ],
)
def test_each_kind_says_itself(kind: str, detail: str, said: str) -> None:
    text = body(Draft(kind="night", lines=(line(kind, detail=detail),)), WORDS, AROUND)
    assert said in text
    assert CAUTION in text


def test_five_causes_are_listed_and_six_are_counted() -> None:
    five = Draft(kind="night", lines=tuple(line(alert_id=n) for n in range(1, 6)))
    assert body(five, WORDS, AROUND).count("Joint open: North") == 5
    six = Draft(kind="night", lines=tuple(line(alert_id=n) for n in range(1, 7)), flood=6)
    text = body(six, WORDS, AROUND)
    assert text.startswith("6 things at once. The most pressing:\n")
    assert text.count("Joint open: North") == 3
    assert "and 3 more\n" in text


def test_the_sheet_says_that_nothing_stands_and_who_was_heard() -> None:
    heard = [
        DoorHeard(shown="North", heard=NOW - timedelta(hours=3)),
        DoorHeard(shown="South", heard=NOW - timedelta(hours=3)),
    ]
    around = Around(now=NOW, zone="Europe/London", link=AROUND.link, heard=heard)
    text = body(Draft(kind="month", lines=(), standing=()), WORDS, around)
    assert text.startswith("Nothing stands.\nTwo doors were heard.\n")
    assert "safe" not in text.replace("Not a safety device", "")


def test_the_sheet_names_a_door_that_is_not_heard() -> None:
    heard = [DoorHeard(shown="North", heard=NOW - timedelta(days=9)), DoorHeard(shown="South", heard=None)]
    around = Around(now=NOW, zone="Europe/London", link=AROUND.link, heard=heard)
    text = body(Draft(kind="month", lines=(), standing=(1,)), WORDS, around)
    assert "What stands:\nJoint open: North, lock rail, hinge side, since 8 March 2027.\n" in text
    assert "No doors were heard. North: last heard on 23 March 2027. South: never heard." in text


def test_what_was_given_up_stands_first() -> None:
    around = Around(now=NOW, zone="UTC", link=AROUND.link, given_up=["Joint open: South"])
    text = body(Draft(kind="night", lines=(line(),)), WORDS, around)
    assert text.startswith("A message did not reach you: Joint open: South\n\nJoint open: North")


def test_a_hostile_name_makes_no_line_of_its_own() -> None:
    hostile = AlertWords(
        word="Not heard",
        door="No\u202erth\r\nBcc: a@b.invalid\x07",
        place="",
        say="Not heard since\n1 April.",
        do="",
        since=date(2027, 4, 1),
        link="http://127.0.0.1:8060/alerts#alert-2",
    )
    draft = Draft(kind="night", lines=(line(),))
    text = body(draft, {1: hostile}, AROUND)
    assert text.splitlines()[0] == "Not heard: North Bcc: a@b.invalid. Not heard since 1 April."
    assert subject_of(draft, {1: hostile}) == "Not heard: North Bcc: a@b.invalid"


def test_subjects_of_several_of_an_end_and_of_a_sheet() -> None:
    several = Draft(kind="night", lines=(line(), line(alert_id=2), line(alert_id=3)))
    assert subject_of(several, WORDS) == "Joint open: North, lock rail, hinge side and 2 more"
    assert subject_of(Draft(kind="week", lines=(line("ended"),)), WORDS).startswith("Over: joint open: North")
    assert (
        subject_of(Draft(kind="month", lines=(), standing=()), WORDS) == "The month's sheet: nothing stands"
    )
    assert subject_of(Draft(kind="month", lines=(), standing=(1,)), WORDS) == "The month's sheet: 1 standing"
