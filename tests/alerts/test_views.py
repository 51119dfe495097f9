"""Alerts for people: weight and words of a doubt, held back, retired, a day to be left until."""

from datetime import date, timedelta

import pytest
from sqlalchemy.orm import Session

from server.alerts import ledger, views
from server.alerts.ledger import Leave, Night
from server.alerts.tables import AlertEventRow
from server.doors.register import DoorHung, list_doors
from server.errors import UnknownAlertError
from server.inspection.values import Finding, Inspection
from tests.alerts.yard import Yard
from tests.fakes.clock import HandClock
from tests.refusals import refuses

DOUBT = Finding(topic="gauge", about="north/lock-hinge-top", evidence={"suspect": True, "max_w": 5.0})
OPEN = Finding(
    topic="joint",
    about="north/lock-hinge",
    evidence={"turn_stays_mrad": 0.25, "turn_low_mrad": 0.2, "turn_open_mrad": 0.2},
    rests_on=("north/lock-hinge-top", "north/lock-hinge-bottom"),
)


def nights(session: Session, clock: HandClock, first: int, count: int, *found: Finding) -> Yard:
    yard = Yard.of(session) if first == 0 else Yard(session=session, door=doors(session), boxes=0)
    for k in range(first, first + count):
        night = Night(slot=(date(2026, 1, 1) + timedelta(days=k)).isoformat(), at=clock())
        ledger.record(session, Inspection(findings=found), door=yard.door, night=night)
    return yard


def doors(session: Session) -> DoorHung:
    (door,) = list_doors(session)
    return door


def test_a_doubt_says_what_it_hides_and_weighs_as_much(session: Session, clock: HandClock) -> None:
    nights(session, clock, 0, 6, DOUBT, OPEN)
    (view,) = ledger.standing(session)
    assert (view.step, view.weight, view.carries) == ("gauge_doubt", "soon", ())
    assert view.say == "It does not fit the others since 1 January 2026."
    nights(session, clock, 6, 3, DOUBT, OPEN)
    (view,) = ledger.standing(session)
    assert (view.weight, view.carries) == ("today", ("joint_open joint:north/lock-hinge",))
    assert view.say.endswith(
        "Not said meanwhile: lock rail, hinge side. If the gauge is right, that joint is open."
    )


def test_what_was_held_back_says_since_when(session: Session, clock: HandClock) -> None:
    nights(session, clock, 0, 7, OPEN)
    assert ledger.standing(session)[0].held is None
    nights(session, clock, 7, 4, DOUBT, OPEN)
    held = {view.step: view.held for view in ledger.standing(session)}
    assert held == {"joint_open": "held back: gauge in doubt since 8 January 2026", "gauge_doubt": None}


def test_left_until_a_day(session: Session, clock: HandClock) -> None:
    nights(session, clock, 0, 7, OPEN)
    (view,) = ledger.standing(session)
    until = clock().date() + timedelta(days=30)
    ledger.act(session, view.id, Leave(until=until), by="maker", at=clock())
    assert ledger.find(session, view.id).left_until == until.isoformat()


def test_an_alert_that_is_not_there(session: Session) -> None:
    with refuses(UnknownAlertError, asked="find alert 4", needed="alert list", came="4"):
        views.row_of(session, 4)


@pytest.mark.parametrize(
    ("told", "carries"),
    [
        ([("carries", "joint_opening joint:a")], ("joint_opening joint:a",)),
        ([("carries", "joint_opening joint:a"), ("carries", "joint_open joint:a")], ("joint_open joint:a",)),
        ([("carries", "joint_open joint:a"), ("back", "")], ()),
    ],
)
def test_the_step_said_last_of_each_cause(told: list[tuple[str, str]], carries: tuple[str, ...]) -> None:
    events = [AlertEventRow(kind=kind, detail=detail) for kind, detail in told]
    assert views.carries_of(events) == carries
    assert views.weight_of("gauge_doubt", carries) == ("today" if "joint_open joint:a" in carries else "soon")
