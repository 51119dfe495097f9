"""Folding again, looks of a clock that ran ahead, and the ledger against its own events; both databases."""

from datetime import date, timedelta

import pytest
from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from server.alerts import ledger, rebuilding
from server.alerts.ledger import Close, Leave, Night, Retire, Seen
from server.alerts.tables import AlertRow, ConditionRow
from server.inspection import results
from server.inspection.results import Slot
from server.inspection.tables import InspectionRow
from server.inspection.values import Finding, Inspection
from tests.alerts.test_views import DOUBT, OPEN
from tests.alerts.yard import Yard
from tests.fakes.clock import HandClock

CALM = Finding(
    topic="joint",
    about=OPEN.about,
    evidence={**OPEN.evidence, "turn_stays_mrad": 0.0, "turn_low_mrad": 0.0},
    rests_on=OPEN.rests_on,
)
HEARD = Finding(topic="heard", about="north", evidence={"overdue": False, "silent_h": 0.1})
SILENT = Finding(topic="heard", about="north", evidence={"overdue": True, "silent_h": 30.0})


@pytest.fixture
def yard(session: Session) -> Yard:
    return Yard.of(session)


def slot_of(k: int) -> str:
    return (date(2026, 1, 1) + timedelta(days=k)).isoformat()


def look(yard: Yard, clock: HandClock, k: int, *found: Finding, silent: bool = False) -> None:
    """As the nightly run does it: kept and recorded, the boxes first."""
    clock.now = clock.now.replace(year=2026, month=1, day=1) + timedelta(days=k)
    heard = Inspection(findings=(SILENT if silent else HEARD,))
    door = Inspection(findings=found)
    for scope, inspection in ((f"site/{yard.door.site}", heard), (results.scope_of(yard.door.id), door)):
        when = Slot(scope=scope, slot=slot_of(k), looked=clock(), until_ms=0, took_s=0.0)
        results.save(yard.session, inspection, when)
    night = Night(slot=slot_of(k), at=clock())
    ledger.record_house(yard.session, heard, site=yard.door.site, doors=[yard.door], night=night)
    ledger.record(yard.session, door, door=yard.door, night=night)


def lived_shortly(yard: Yard, clock: HandClock) -> None:
    """An alert that was raised, seen and closed, and another that stands."""
    for k in range(10):
        look(yard, clock, k, OPEN, DOUBT)
        if k in (8, 9):
            ledger.act(yard.session, 1, Seen() if k == 8 else Close(words="Reglued"), by="maker", at=clock())


def lived(yard: Yard, clock: HandClock) -> None:
    """Thirty nights with a doubt, a silent box, and every act of a person."""
    for k in range(30):
        found = (OPEN, DOUBT) if 10 <= k < 14 else (OPEN,)
        look(yard, clock, k, *found, silent=20 <= k < 23)
        acts: dict[int, Seen | Leave | Close] = {
            8: Seen(),
            9: Leave(until=clock().date() + timedelta(days=5)),
            24: Close(words="Reglued"),
        }
        if k in acts:
            ledger.act(yard.session, 1, acts[k], by="maker", at=clock())
        if k == 15:
            doubt = next(one for one in ledger.standing(yard.session) if one.topic == "gauge")
            ledger.act(yard.session, doubt.id, Retire(), by="maker", at=clock())


def test_a_ledger_is_what_its_events_and_findings_say(session: Session, yard: Yard, clock: HandClock) -> None:
    lived(yard, clock)
    rows = select(ConditionRow.topic, ConditionRow.about, ConditionRow.slot, ConditionRow.counts)
    before = sorted(session.execute(rows))
    assert rebuilding.differences(session) == []
    assert sorted(session.execute(rows)) == before
    assert len(yard.events()) >= 9


CHANGED = {
    "step": "joint_watch",
    "worst": "joint_watch",
    "ended": None,
    "how": "gone",
    "raised": "2026-01-02",
}


def test_a_changed_alert_is_found_and_mended(session: Session, yard: Yard, clock: HandClock) -> None:
    lived_shortly(yard, clock)
    for column, value in CHANGED.items():
        session.execute(update(AlertRow).where(AlertRow.id == 1).values({column: value}))
        session.expire_all()
        (said,) = rebuilding.differences(session)
        assert said.startswith(f"alert 1: {column} is {value}, its events say ")
        assert rebuilding.rebuild(session) == [said]
    assert rebuilding.differences(session) == []


def test_lost_conditions_are_found_and_counted_again(session: Session, yard: Yard, clock: HandClock) -> None:
    lived_shortly(yard, clock)
    session.execute(delete(ConditionRow).where(ConditionRow.slot == slot_of(9)))
    session.expire_all()
    said = f"joint north/lock-hinge: its condition of {slot_of(9)} is not what its nights count to"
    assert said in rebuilding.differences(session)
    rebuilding.rebuild(session)
    assert rebuilding.differences(session) == []


def test_what_was_carried_and_a_failed_look_are_folded_again(
    session: Session, yard: Yard, clock: HandClock
) -> None:
    for k in range(3):
        look(yard, clock, k, DOUBT, CALM)
    ledger.act(session, ledger.standing(session)[0].id, Seen(), by="maker", at=clock())
    for k in range(3, 11):
        look(yard, clock, k, DOUBT, OPEN)
    scope = results.scope_of(yard.door.id)
    for k in (11, 12):
        when = Slot(scope=scope, slot=slot_of(k), looked=clock(), until_ms=0, took_s=0.0, status="failed")
        results.save(session, Inspection(findings=()), when)
        night = Night(slot=slot_of(k), at=clock(), failed=True)
        ledger.record(session, Inspection(findings=()), door=yard.door, night=night)
    assert {view.step for view in ledger.standing(session)} == {"gauge_doubt", "look_failed"}
    assert "carries" in {event[1] for event in yard.events()}
    assert rebuilding.differences(session) == []


def test_late_readings_contradict(session: Session, yard: Yard, clock: HandClock) -> None:
    for k in range(8):
        look(yard, clock, k, OPEN)
    scope = results.scope_of(yard.door.id)
    for k in range(8):
        when = Slot(scope=scope, slot=slot_of(k), looked=clock(), until_ms=0, took_s=0.0)
        results.save(session, Inspection(findings=(CALM,)), when)
    again = rebuilding.fold_again(session, yard.door, first=slot_of(0), end=slot_of(8))
    assert again == [slot_of(k) for k in range(8)]
    assert len(ledger.standing(session)) == 1
    look(yard, clock, 8, CALM)
    assert [view.how for view in ledger.closed(session, 5)] == ["contradicted"]


def test_looks_of_a_clock_that_ran_ahead_are_void(
    session: Session, yard: Yard, clock: HandClock, caplog: pytest.LogCaptureFixture
) -> None:
    for k in range(3):
        look(yard, clock, k, CALM)
    for k in range(100, 108):
        look(yard, clock, k, OPEN)
    assert [view.step for view in ledger.standing(session)] == ["joint_open"]
    nights = rebuilding.void_ahead(session, slot=slot_of(3), at=clock())
    assert nights == [slot_of(k) for k in range(100, 108)]
    assert "clock_ahead" in caplog.text
    assert results.last_slot(session, results.scope_of(yard.door.id)) == slot_of(2)
    look(yard, clock, 3, CALM)
    assert [(view.how, view.step) for view in ledger.closed(session, 5)] == [("contradicted", "joint_open")]
    assert ledger.standing(session) == []
    assert rebuilding.void_ahead(session, slot=slot_of(3), at=clock()) == []
    assert set(session.scalars(select(InspectionRow.status))) == {"done", "void"}


def test_an_alert_that_a_void_look_ended_is_back(session: Session, yard: Yard, clock: HandClock) -> None:
    for k in range(7):
        look(yard, clock, k, OPEN)
    for k in range(100, 130):
        look(yard, clock, k, CALM)
    assert ledger.standing(session) == []
    rebuilding.void_ahead(session, slot=slot_of(7), at=clock())
    look(yard, clock, 7, OPEN)
    assert [view.step for view in ledger.standing(session)] == ["joint_open"]
    assert [event[1] for event in yard.events() if event[0] == slot_of(7)] == ["back"]


def test_an_empty_ledger_differs_in_nothing(session: Session, yard: Yard) -> None:
    assert rebuilding.rebuild(session) == []
