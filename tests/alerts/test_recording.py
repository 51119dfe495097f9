"""Looks taken into the ledger, where the published cases do not look; on both databases."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.alerts import kept, ledger
from server.alerts.folding import Condition
from server.alerts.kept import Cause
from server.alerts.ledger import Close, Leave, Night, record, record_house
from server.alerts.refusals import LeaveTooLongError
from server.alerts.tables import AlertEventRow
from server.doors.marks import add_mark
from server.inspection.values import Finding, Inspection
from tests.alerts.test_views import DOUBT, OPEN
from tests.alerts.yard import Yard
from tests.fakes.clock import HandClock
from tests.refusals import refuses

FIRST = date(2026, 1, 1)
ALARM = Finding(topic="joint", about=OPEN.about, evidence={"alarm": True}, rests_on=OPEN.rests_on)
CALM = Finding(topic="joint", about=OPEN.about, evidence={"alarm": False}, rests_on=OPEN.rests_on)


def slot_of(k: int) -> str:
    return (FIRST + timedelta(days=k)).isoformat()


def at_of(k: int) -> datetime:
    return datetime(2026, 1, 1, 5, tzinfo=UTC) + timedelta(days=k)


def look(yard: Yard, nights: range, *found: Finding, failed: bool = False) -> None:
    for k in nights:
        night = Night(slot=slot_of(k), at=at_of(k), failed=failed)
        record(yard.session, Inspection(findings=found), door=yard.door, night=night)


def test_a_mark_ends_an_alert_with_its_words(session: Session) -> None:
    yard = Yard.of(session)
    rubs = Finding(topic="frame", about="north/head", evidence={"margin_mm": 0.1, "rubs": True})
    look(yard, range(3), rubs)
    marked = int(at_of(2).timestamp() * 1000)
    add_mark(session, yard.door.id, t_ms=marked, kind="planed", text="Eased 0.8 mm off the head", by="maker")
    look(yard, range(3, 5), Finding(topic="frame", about="north/head", evidence={"margin_mm": 1.5}))
    (ended,) = session.scalars(select(AlertEventRow).where(AlertEventRow.kind == "ended"))
    assert (ended.slot, ended.detail, ended.words) == (slot_of(3), "mark", "Eased 0.8 mm off the head")
    assert ledger.standing(session) == []
    look(yard, range(5, 9), rubs)
    assert [view.step for view in ledger.standing(session)] == ["frame_rubs"]
    assert len(list(session.scalars(select(AlertEventRow).where(AlertEventRow.kind == "ended")))) == 1


def test_a_gauge_of_another_door_that_is_in_doubt_holds_back(session: Session) -> None:
    yard = Yard.of(session)
    drifted = Finding(topic="gauge", about="south/ref", evidence={"ref_shift": 0.001})
    south, night = yard.named("south", {"ref"}), Night(slot=slot_of(0), at=at_of(0))
    record(session, Inspection(findings=(drifted,)), door=south, night=night)
    look(yard, range(1), replace(ALARM, rests_on=("north/lock-hinge-top", "south/ref")))
    (view,) = ledger.standing(session)
    assert (view.step, view.carries) == ("gauge_converter", ("joint_opening joint:north/lock-hinge",))


def test_a_doubt_that_a_person_closed_speaks_up_for_what_it_hides_since(session: Session) -> None:
    yard = Yard.of(session)
    look(yard, range(3), DOUBT, CALM)
    (doubt,) = ledger.standing(session)
    ledger.act(session, doubt.id, Close(words="Looked, it is right"), by="maker", at=at_of(2))
    look(yard, range(3, 5), DOUBT, CALM)
    assert ledger.standing(session) == []
    look(yard, range(5, 6), DOUBT, ALARM)
    (again,) = ledger.standing(session)
    assert (again.step, again.carries) == ("gauge_doubt", ("joint_opening joint:north/lock-hinge",))


def test_what_a_doubt_hides_is_carried_once_and_undoes_seen(session: Session) -> None:
    yard = Yard.of(session)
    look(yard, range(3), DOUBT, CALM)
    (doubt,) = ledger.standing(session)
    ledger.act(session, doubt.id, ledger.Seen(), by="maker", at=at_of(2))
    look(yard, range(3, 9), DOUBT, ALARM)
    assert [event[1] for event in yard.events()] == ["raised", "seen", "carries"]
    assert ledger.find(session, doubt.id).seen is None


def test_two_failed_looks_are_said_and_the_next_ends_it(session: Session) -> None:
    yard = Yard.of(session)
    look(yard, range(1), CALM)
    look(yard, range(1, 3), failed=True)
    (view,) = ledger.standing(session)
    assert (view.step, view.say[:45]) == ("look_failed", "The look at this door did not end on 2 nights")
    look(yard, range(3, 4), CALM)
    assert ledger.standing(session) == []


def test_a_site_counts_the_boxes_of_its_doors(session: Session) -> None:
    yard = Yard.of(session)
    silent = tuple(
        Finding(topic="heard", about=name, evidence={"overdue": True, "silent_h": 30.0}) for name in "abc"
    )
    for k, boxes in ((0, 7), (1, 6)):
        hung = [yard.named(name, set()) for name in [*"abc", *(f"box-{n}" for n in range(boxes - 3))]]
        night = Night(slot=slot_of(k), at=at_of(k))
        record_house(session, Inspection(findings=silent), site=yard.door.site, doors=hung, night=night)
    said = [event for event in yard.events() if event[3].startswith("site:")]
    assert said == [[slot_of(1), "raised", "site_silent", f"site:{yard.door.site}"]]


def test_house_things_may_be_looked_at_each_hour(session: Session) -> None:
    yard = Yard.of(session)
    for hour, free in ((1, 100), (2, 100), (3, 9000)):
        disk = Finding(topic="disk", about="yard", evidence={"free_mib": free})
        night = Night(slot=f"2026-01-01T{hour:02d}", at=at_of(0))
        record_house(session, Inspection(findings=(disk,)), site=yard.door.site, doors=[], night=night)
    assert [(event[0], event[1]) for event in yard.events()] == [
        ("2026-01-01T01", "raised"),
        ("2026-01-01T03", "ended"),
    ]


def test_a_look_recorded_again_without_a_finding_forgets_it(session: Session) -> None:
    yard = Yard.of(session)
    look(yard, range(6), OPEN)
    look(yard, range(6, 7), OPEN)
    for k in range(7):
        night = Night(slot=slot_of(k), at=at_of(7), past=True)
        record(session, Inspection(findings=()), door=yard.door, night=night)
    left = kept.newest_of(session, Cause(site_id=1, topic="joint", about=OPEN.about))
    assert left == (slot_of(6), Condition())
    look(yard, range(7, 8), OPEN)
    assert [event[1:] for event in yard.events()][1:] == [
        ["ended", "joint_open", "joint:north/lock-hinge", "contradicted"]
    ]


def test_a_day_too_far_or_past_is_refused(session: Session, clock: HandClock) -> None:
    yard = Yard.of(session)
    look(yard, range(7), OPEN)
    (view,) = ledger.standing(session)
    for days, came in ((31, "31 days ahead"), (0, "which has passed")):
        with refuses(LeaveTooLongError, asked="leave alert", needed="within the next 30 days", came=came):
            until = at_of(7).date() + timedelta(days=days)
            ledger.act(session, view.id, Leave(until=until), by="maker", at=at_of(7))
    assert yard.events()[-1][1] == "raised"


def test_news_are_told_once_and_never_stand(session: Session) -> None:
    yard = Yard.of(session)
    news = Finding(topic="news", about="north/line_soon@2026-01-09", evidence={})
    for _ in range(2):
        look(yard, range(3), news)
    assert [event[:3] for event in yard.events()] == [[slot_of(0), "raised", "line_soon"]]
    (view,) = ledger.closed(session, 5)
    assert (view.how, view.say) == ("told", "The hung line is drawn on 9 January 2026.")
