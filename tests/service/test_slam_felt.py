"""From a meter's peak to the alert: a step that nobody logged says that a slam was felt."""

from dataclasses import replace
from datetime import timedelta

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from server.alerts import ledger
from server.doors.register import DoorHung, add_door, enrol_node
from server.inspection.values import DoorInputs, GaugeDays
from server.service import nightly
from tests.fakes.clock import HandClock
from tests.inspection.doors import HUNG, Truth, made_inputs, one_joint
from tests.inspection.stored import store
from tests.inspection.test_felt import EARLY, METER, tell

DAYS, KNOCKED = 560, 530


def knocked(inputs: DoorInputs, mm: float) -> DoorInputs:
    """The days of a door of which both gauges of a pair moved apart on a day."""
    moved = {
        name: GaugeDays(
            median=days.median + (mm if name.endswith("top") else -mm) * (inputs.day >= KNOCKED), n=days.n
        )
        for name, days in inputs.gauges.items()
    }
    return replace(inputs, gauges=moved)


def hung(session: Session) -> DoorHung:
    asked = one_joint()
    built = replace(asked.built, gauges=(*asked.built.gauges, METER))
    enrol_node(session, built.site, built.node, kind="tracked", zone="Europe/London", now=HUNG)
    door = add_door(session, built, now=HUNG)
    store(session, door, knocked(made_inputs(Truth(years=DAYS / 365.25), asked), 0.05))
    tell(session, door, EARLY | {KNOCKED: 20.0}, days=DAYS)
    return door


def test_the_alert_of_a_step_says_that_a_slam_was_felt(engine: Engine) -> None:
    with Session(engine) as session, session.begin():
        hung(session)
    nightly.inspect_now(engine, "north", clock=HandClock(HUNG + timedelta(days=DAYS)), zone="Europe/London")
    with Session(engine) as session:
        said = [view.say for view in ledger.standing(session) if view.step == "step_unlogged"]
    assert len(said) == 1
    assert "Nobody has logged why. The hardest slam of that month fell on the" in said[0]
