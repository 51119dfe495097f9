"""Days that a door's page tells: only what it tells, in its words."""

from datetime import timedelta

import pytest

from dashboards.pages import ahead, dates
from dashboards.pages.days import days_told
from server.alerts.delivery.ical import Day
from server.inspection.results import SeriesResult
from tests.dashboards import yard

BASE_URL = "http://127.0.0.1:8060"
EARLIEST = "This is the earliest day that its page gives for its limit."
LOOKED = yard.NOW - timedelta(hours=2)


def running(key: str, *, days: int = 160, latest: int | None = 700, **other: object) -> SeriesResult:
    span = {"earliest": yard.TODAY + days, "latest": None if latest is None else yard.TODAY + latest}
    facts: dict[str, object] = {"alarm": True, "forecast": span}
    return yard.result(key, rate=0.02, half=0.01, swing=0.04, start=0.03, facts=facts | other)


def days_of(*made: SeriesResult, **other: object) -> list[Day]:
    usual: dict[str, object] = {"state": "opening"}
    facts = yard.told(results={one.key: one for one in made}, **{**usual, **other})  # type: ignore[arg-type]  # named values
    return days_told(facts, looked=LOOKED, base_url=BASE_URL)


def test_a_limit_stands_on_its_earliest_day_in_the_words_of_the_page() -> None:
    (one,) = days_of(running("opening:top-hinge"))
    facts = yard.told(results={"opening:top-hinge": running("opening:top-hinge")}, state="opening")
    assert facts.worst is not None
    said = ahead.bar_date(facts.worst, today=yard.TODAY)
    assert one.day == dates.day_date(yard.TODAY + 160)
    assert one.summary.replace("\u00a0", " ") == (
        "North: top rail, hinge side: mean opening reaches its limit not before May 2027"
    )
    assert one.lines == [
        f"Top rail, hinge side: mean opening. {EARLIEST} {said}",
        "Look at it when you are by.",
        ahead.CAUTION,
    ]
    assert "October\u00a02028" in (said or "")
    assert (one.cause, one.link) == (
        "doors/saltmarsh-yard/north/limit/opening:top-hinge",
        f"{BASE_URL}/doors/saltmarsh-yard/north",
    )
    assert one.revised == LOOKED


def test_the_leaf_and_each_joint_have_a_day_of_their_own() -> None:
    made = days_of(running("droop"), running("turn:lock-hinge", days=30), running("opening:lock-hinge"))
    assert [one.cause.rpartition("/")[2] for one in made] == [
        "droop",
        "turn:lock-hinge",
        "opening:lock-hinge",
    ]
    leaf, turn, _ = made
    assert leaf.lines[0].endswith(ahead.STAYS_ALONE)
    assert "how long after is not known yet" in turn.lines[0]
    assert "2028" not in turn.lines[0]


def test_what_to_do_is_that_of_the_alert_that_stands_on_it() -> None:
    stands = yard.alert("joint_opening", topic="joint", about="north/lock-hinge", do="Plan a repair.")
    turn, other = days_of(running("turn:lock-hinge"), running("turn:top-hinge"), standing=(stands,))
    assert (turn.lines[1], other.lines[1]) == ("Look at it when you are by.", "Plan a repair.")
    (leaf,) = days_of(running("droop"), standing=(yard.alert(do="Try the screws."),))
    assert leaf.lines[1] == "Try the screws."


@pytest.mark.parametrize("days", [0, -12])
def test_one_that_may_be_reached_any_day_stands_on_today_and_is_new_each_day(days: int) -> None:
    (one,) = days_of(running("turn:lock-hinge", days=days))
    assert one.day == yard.NOW.date()
    assert one.summary == "North: lock rail, hinge side: turn may be at its limit any day now"
    assert one.revised == LOOKED
    facts = yard.told(results={"turn:lock-hinge": running("turn:lock-hinge", days=days)}, state="opening")
    (late,) = days_told(facts, looked=LOOKED - timedelta(days=1), base_url=BASE_URL)
    assert late.revised == yard.NOW.replace(hour=0, minute=0)


@pytest.mark.parametrize(
    "made",
    [
        running("turn:lock-hinge", alarm=False),
        running("turn:lock-hinge", forecast=None),
        running("turn:lock-hinge", limit=0.01),
        yard.result("turn:lock-hinge", status="refused", facts={"collinearity": 9.0}),
        yard.result("droop", status="refused", facts={"half_width": 0.4}),
    ],
    ids=["no alarm", "no date", "passed", "refused", "refused droop"],
)
def test_nothing_is_said_that_the_page_does_not_say(made: SeriesResult) -> None:
    assert days_of(made) == []


def test_nothing_of_a_joint_whose_gauge_is_in_doubt_nor_of_a_door_that_is_not_heard() -> None:
    turn = running("turn:lock-hinge")
    gauge = next(one.channel for one in yard.built("north").gauges if one.joint == "lock-hinge")
    doubt = yard.alert("gauge_doubt", topic="gauge", about=f"north/{gauge}")
    assert len(days_of(turn)) == 1
    assert days_of(turn, standing=(doubt,)) == []
    assert days_of(turn, state="not_heard") == []


def first_year(day: int) -> SeriesResult:
    return yard.result("droop", years=0.5, status="refused", facts={"first_word_day": yard.TODAY + day})


def test_the_first_word_is_told_until_its_day_has_come() -> None:
    """24 November 2026 and 190 days is 2 June 2027, counted by hand."""
    (one,) = days_of(first_year(190), state="settling", years=0.5)
    assert one.day.isoformat() == "2027-06-02"
    assert one.summary.replace("\u00a0", " ") == "North: first word about June 2027"
    assert one.lines[0].startswith("24\u00a0November\u00a02026: hung 5\u00a0months. ")
    assert "can’t be said until it has been through a damp and a dry season" in one.lines[0]
    assert one.cause == "doors/saltmarsh-yard/north/first-word"
    assert days_of(first_year(0), state="settling", years=0.5) == []
    assert days_of(first_year(190), state="not_heard", years=0.5) == []


def test_a_droop_that_its_gauges_do_not_tell_waits_for_no_first_word() -> None:
    facts: dict[str, object] = {"first_word_day": yard.TODAY + 190, "told": "not_told"}
    assert days_of(yard.result("droop", years=0.5, status="refused", facts=facts), years=0.5) == []
