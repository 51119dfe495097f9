"""Days that the server knows: checks, the hung line, the first word told, what a person left alone."""

from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import Engine

from server.alerts.delivery.days import check_day, days_of
from server.alerts.delivery.ical import Day
from server.alerts.ledger import Close, Leave, Night, act, record
from server.alerts.verdicts import Limits
from server.database import Session, session_of
from server.doors.register import DoorHung
from server.inspection.results import Slot, save, scope_of
from server.inspection.values import Finding, Inspection
from tests.alerts.delivery.stored import AT, BASE_URL, raised, yard

TODAY = AT.date()
CHECKED = {"days_since_check": 300, "checked_on": "2026-05-06"}


def looked(session: Session, door: DoorHung, *findings: Finding, at: datetime = AT) -> None:
    when = Slot(
        scope=scope_of(door.id), slot=at.date().isoformat(), looked=at, until_ms=0, took_s=0.1, status="done"
    )
    save(session, Inspection(findings=findings, series=()), when)


def days(session: Session, *, doors: frozenset[int] | None = None, today: date = TODAY) -> list[Day]:
    return days_of(session, base_url=BASE_URL, today=today, doors=doors)


def check(**evidence: object) -> Finding:
    return Finding(topic="check", about="north", evidence=evidence)


def news(step: str, day: str) -> Finding:
    return Finding(topic="news", about=f"north/{step}@{day}", evidence={})


@pytest.mark.parametrize(
    ("evidence", "limit", "day"),
    [
        (CHECKED, 365, "2027-05-06"),
        (CHECKED, 100, "2026-08-14"),
        (CHECKED | {"other_due_on": "2027-03-12"}, 365, "2027-03-12"),
        (CHECKED | {"other_due_on": "2027-08-01"}, 365, "2027-05-06"),
        (CHECKED | {"other_due_on": "2027-03-12"}, 400, "2027-06-10"),
        ({"days_since_check": 0, "other_due_on": "2027-03-12"}, 365, "2027-03-12"),
        ({"days_since_check": 300}, 365, None),
    ],
)
def test_a_check_falls_due_a_limit_after_the_oldest(
    evidence: dict[str, object], limit: float, day: str | None
) -> None:
    """A year of 365 days, or what the maker set: 6 May 2026 and 365 days is 6 May 2027, counted by hand."""
    told = check_day(evidence, Limits(check_days=limit))
    assert (None if told is None else told.isoformat()) == day


def test_a_check_keeps_its_cause_from_night_to_night(engine: Engine) -> None:
    with session_of(engine) as session:
        door = yard(session)
        looked(session, door, check(**CHECKED))
        (before,) = days(session)
        looked(session, door, check(**CHECKED | {"checked_on": "2027-03-02"}), at=AT + timedelta(days=1))
        (after,) = days(session)
    assert (before.cause, before.summary, before.day) == (
        f"doors/{door.ref}/check",
        "North: check due",
        date(2027, 5, 6),
    )
    assert before.link == f"{BASE_URL}/doors/{door.ref}"
    assert before.lines[0] == "A check of its gauges falls due on this day."
    assert before.lines[1].startswith("Hold a feeler beside each")
    assert (after.cause, after.day, after.revised) == (before.cause, date(2028, 3, 1), AT + timedelta(days=1))


def test_a_check_that_is_due_says_so_and_one_that_cannot_be_judged_is_none(engine: Engine) -> None:
    with session_of(engine) as session:
        door = yard(session)
        raised(session, door)  # of which a check says nothing
        due_now = check(days_since_check=366, gauges=3)
        record(session, Inspection(findings=(due_now,)), door=door, night=Night(slot="2027-03-02", at=AT))
        looked(session, door, check(**CHECKED | {"checked_on": "2026-03-01"}))
        (due,) = days(session)
        assert (due.day, due.lines[0]) == (date(2027, 3, 1), "3 gauges have not been checked for a year.")
        looked(session, door, Finding(topic="check", about="north", evidence=CHECKED, unjudged="none kept"))
        assert days(session) == []


@pytest.mark.parametrize(
    ("step", "summary", "cause", "says"),
    [
        ("line_soon", "North: hung line is drawn", "hung-line", "The hung line is drawn on 9 March 2027."),
        ("line_fixed", "North: hung line drawn", "hung-line", "The hung line was drawn on 9 March 2027."),
        ("first_word", "North: first word", "first-word", "A year is heard"),
    ],
)
def test_what_is_told_once_falls_on_its_day(
    engine: Engine, step: str, summary: str, cause: str, says: str
) -> None:
    with session_of(engine) as session:
        door = yard(session)
        looked(session, door, news(step, "2027-03-09"))
        (told,) = days(session)
    assert (told.summary, told.cause) == (summary, f"doors/{door.ref}/{cause}")
    assert (told.day, told.lines[0][: len(says)]) == (date(2027, 3, 9), says)


def test_a_line_that_is_late_and_a_night_without_news_have_no_day(engine: Engine) -> None:
    with session_of(engine) as session:
        door = yard(session)
        looked(session, door, news("line_late", "2027-03-01"), news("line_soon", "soon"))
        assert days(session) == []
        looked(session, door, news("line_soon", "2027-03-09"), at=AT + timedelta(days=1))
        assert len(days(session)) == 1
        looked(session, door, at=AT + timedelta(days=2))
        assert days(session) == []


def test_what_is_left_alone_stands_on_its_day_until_it_is_past_or_over(engine: Engine) -> None:
    at = datetime(2027, 3, 2, 9, 30, tzinfo=UTC)
    with session_of(engine) as session:
        door = yard(session)
        row = raised(session, door, step="joint_watch")
        assert days(session) == []
        act(session, row.id, Leave(until=date(2027, 3, 20)), by="keeper", at=at)
        (left,) = days(session)
        assert left.summary == ("North: joint to watch, lock rail, hinge side (left alone until this day)")
        assert (left.day, left.revised) == (date(2027, 3, 20), at)
        assert left.link == f"{BASE_URL}/alerts#alert-{row.id}"
        later = at + timedelta(days=1)
        act(session, row.id, Leave(until=date(2027, 4, 1)), by="keeper", at=later)
        (moved,) = days(session)
        assert (moved.cause, moved.day, moved.revised) == (left.cause, date(2027, 4, 1), later)
        assert len(days(session, today=date(2027, 4, 1))) == 1
        assert days(session, today=date(2027, 4, 2)) == []
        act(session, row.id, Close(words="it held"), by="keeper", at=later)
        assert days(session) == []


def test_a_keeper_reads_of_their_own_doors(engine: Engine) -> None:
    with session_of(engine) as session:
        door = yard(session)
        looked(session, door, check(**CHECKED))
        row = raised(session, door)
        act(session, row.id, Leave(until=date(2027, 3, 20)), by="keeper", at=AT)
        assert len(days(session, doors=frozenset({door.id}))) == 2
        assert days(session, doors=frozenset({door.id + 1})) == []
