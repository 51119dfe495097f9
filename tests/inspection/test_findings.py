"""All findings of a door together: which topics there are, and a first year taken into the ledger."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from sqlalchemy.orm import Session

from server.alerts import ledger
from server.alerts.ledger import Night, record
from server.inspection.findings import COMING_IN, door_findings
from server.inspection.look import look
from server.inspection.seen import Seen
from server.inspection.values import DoorInputs, Finding, Inspection
from tests.inspection.doors import HUNG_DAY, Truth, hung, made_inputs, one_gauge
from tests.inspection.found.seeing import about, seen_in, verdicts
from tests.inspection.stored import stored_door

TRUTH = Truth(years=2.1, turn_mrad_per_year=0.3)


def of(findings: tuple[Finding, ...], topic: str) -> list[Finding]:
    return [one for one in findings if one.topic == topic]


def test_findings_carry_the_series_and_what_they_rest_on() -> None:
    inspection = look(made_inputs(TRUTH))
    series = {one.key: one for one in inspection.series}
    joint = about(of(inspection.findings, "joint"), "north/lock-hinge")
    assert joint.evidence["turn_stays_mrad"] == series["turn:lock-hinge"].number("stays")
    assert joint.evidence["opening_low_mm"] == series["opening:lock-hinge"].number("stays_low")
    assert (joint.evidence["turn_open_mrad"], joint.evidence["opening_open_mm"]) == (0.166, 0.30)
    (leaf,) = of(inspection.findings, "leaf")
    assert leaf.evidence["droop_stays_mm"] == series["droop"].number("stays")
    assert leaf.evidence["rack_stays_mm"] == series["rack"].number("stays")
    grows = max((series[key] for key in ("droop", "rack")), key=lambda one: one.low or 0.0)
    assert (leaf.evidence["rate_of"], leaf.evidence["rate_low_mm_per_year"]) == (grows.key, grows.low)
    edges = {
        one.about.partition("/")[2]: one.evidence["least_expected_mm"]
        for one in of(inspection.findings, "frame")
    }
    assert set(edges) == {"head", "sill", "latch", "hinge"}
    assert edges["hinge"] is None  # no gauge there
    gap = series["gap:latch-top"]
    worst = [series[f"gap:{name}"] for name in ("latch-top", "latch-bottom")]
    expected = [3 + (one.number("stays") or 0.0) - (one.number("worst_season") or 0.0) for one in worst]
    assert edges["latch"] == pytest.approx(min(expected))
    assert gap.number("worst_season") is not None


def test_every_topic_of_a_door_is_there_once() -> None:
    findings = look(made_inputs(TRUTH)).findings
    names = [(one.topic, one.about) for one in findings]
    assert len(names) == len(set(names))
    assert {one.topic for one in findings} == {"joint", "leaf", "frame", "gauge", "check"}
    assert {one.about for one in of(findings, "joint")} == {
        f"north/{joint}" for joint in ("lock-hinge", "lock-latch", "top-hinge")
    }


@pytest.mark.parametrize(("pending", "is_judged"), [(299, True), (300, False)])
def test_nothing_is_judged_while_older_readings_come_in(pending: int, *, is_judged: bool) -> None:
    inputs = made_inputs(TRUTH)
    filling = replace(inputs.door, node_status=f'{{"st": "up", "pend": {pending}}}')
    found = look(replace(inputs, door=filling)).findings
    reasons = {one.unjudged for one in found if one.topic in ("joint", "leaf", "frame", "gauge")}
    assert (COMING_IN in reasons) is not is_judged
    assert (reasons == {COMING_IN}) is not is_judged


def test_one_gauge_is_judged_by_the_makers_limit() -> None:
    found = look(made_inputs(Truth(years=2.1), one_gauge())).findings
    assert [one.evidence["droop_limit_mm"] for one in of(found, "leaf")] == [1.5]
    assert of(found, "joint") == of(found, "frame") == []


def test_a_door_never_heard_says_why_of_each_joint() -> None:
    door = hung()
    empty = np.zeros(0)
    inputs = DoorInputs(
        door=door, hung_day=HUNG_DAY, day=np.zeros(0, np.int64), gauges={}, temp_c=empty, rh_pct=empty
    )
    found = door_findings(Seen(inputs=inputs, looks={}))
    assert {one.unjudged is None for one in found} == {False}
    assert {step for one in found for step in verdicts(one).values()} == {"unjudged"}


def first_year(days: int) -> DoorInputs:
    """A door heard for so many days whose lock rail turned by 0.4 mrad after day 60; still air otherwise."""
    inputs = made_inputs(Truth(years=(days + 0.5) / 365.25, season_mm=0.0))
    gauges = dict(inputs.gauges)
    for name, side in (("lock-hinge-top", 1), ("lock-hinge-bottom", -1)):
        turned = side * 0.4e-3 * 170 / 2 * (inputs.day >= 60)
        gauges[name] = replace(gauges[name], median=gauges[name].median + turned)
    return replace(inputs, gauges=gauges)


def test_a_fast_turn_in_the_first_year_becomes_a_joint_to_watch(session: Session) -> None:
    door = stored_door(session, Truth(years=0.0))
    began = datetime(2021, 3, 2, 5, tzinfo=UTC)
    steps = []
    for days in range(58, 80):
        seen = seen_in(replace(first_year(days), door=door))
        night = began + timedelta(days=days)
        kept = Inspection(findings=door_findings(seen))
        record(session, kept, door=door, night=Night(slot=night.date().isoformat(), at=night))
        joints = [view for view in ledger.standing(session) if view.topic == "joint"]
        steps.append([(view.step, view.about) for view in joints])
    raised = steps.index([("joint_watch", "north/lock-hinge")])
    assert steps[:raised] == [[]] * raised
    assert {tuple(one) for one in steps[raised:]} == {(("joint_watch", "north/lock-hinge"),)}
    # a median of seven days passes on the fourth of them, and a watch takes seven nights
    assert 58 + raised == 60 + 4 + 6
    (view,) = [view for view in ledger.standing(session) if view.topic == "joint"]
    assert view.weight == "note"
    assert "in 14 days" in view.say or "since the hung line" in view.say
