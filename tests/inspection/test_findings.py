"""Findings of a door, and whether a box is heard."""

from dataclasses import replace

import pytest

from server.doors.register import DoorHung
from server.inspection.findings import HEARD_SINCE, NEVER_HEARD, silence
from server.inspection.look import look
from server.inspection.values import Finding
from tests.inspection.doors import Truth, hung, made_inputs, one_gauge

HOUR_MS = 3_600_000
NOW_MS = 1_800_000_000_000
ASLEEP = '{"st": "asleep", "next_s": 21600}'


def of(findings: tuple[Finding, ...], topic: str, about: str) -> Finding:
    return next(one for one in findings if (one.topic, one.about) == (topic, about))


def test_findings_carry_the_series_and_what_they_rest_on() -> None:
    inspection = look(made_inputs(Truth(years=2.1, turn_mrad_per_year=0.3)))
    series = {one.key: one for one in inspection.series}
    joint = of(inspection.findings, "joint", "north/lock-hinge")
    assert joint.evidence["turn_stays_mrad"] == series["turn:lock-hinge"].number("stays")
    assert joint.evidence["opening_low_mm"] == series["opening:lock-hinge"].number("stays_low")
    assert (joint.evidence["turn_open_mrad"], joint.evidence["opening_open_mm"]) == (0.166, 0.30)
    assert joint.rests_on == ("north/lock-hinge-top", "north/lock-hinge-bottom")
    leaf = of(inspection.findings, "leaf", "north")
    assert leaf.evidence["droop_stays_mm"] == series["droop"].number("stays")
    growth = {"rate_of", *(f"rate_{key}mm_per_year" for key in ("", "low_", "high_"))}
    assert set(leaf.evidence) == {f"droop_{key}_mm" for key in ("stays", "low", "high", "limit")} | growth
    grows = max((series[key] for key in ("droop", "rack")), key=lambda one: one.low or 0.0)
    assert (leaf.evidence["rate_of"], leaf.evidence["rate_low_mm_per_year"]) == (grows.key, grows.low)
    assert {one.unjudged for one in inspection.findings} == {None}


def test_first_year_is_unjudged_with_its_reason() -> None:
    inspection = look(made_inputs(Truth(years=0.7)))
    for one in inspection.findings:
        assert one.unjudged is not None
        assert "after a year" in one.unjudged
        assert {value for key, value in one.evidence.items() if "stays" in key} == {None}


@pytest.mark.parametrize(("pending", "is_judged"), [(299, True), (300, False)])
def test_nothing_is_judged_while_older_readings_come_in(pending: int, *, is_judged: bool) -> None:
    inputs = made_inputs(Truth(years=2.1, turn_mrad_per_year=0.3))
    filling = replace(inputs.door, node_status=f'{{"st": "up", "pend": {pending}}}')
    reasons = {one.unjudged for one in look(replace(inputs, door=filling)).findings}
    assert reasons == ({None} if is_judged else {"older readings are still coming in"})


def test_one_gauge_is_judged_by_the_makers_limit() -> None:
    inspection = look(made_inputs(Truth(years=2.1), one_gauge()))
    assert [(one.topic, one.evidence["droop_limit_mm"]) for one in inspection.findings] == [("leaf", 1.5)]


def test_one_gauge_without_a_limit_has_no_finding() -> None:
    door = one_gauge()
    built = replace(door.built, limits=replace(door.built.limits, gauge_mm=None))
    assert look(made_inputs(Truth(years=2.1), replace(door, built=built))).findings == ()


@pytest.mark.parametrize(
    ("hours", "status", "overdue"),
    [
        (1.0, None, False),
        (2.5, None, False),
        (2.6, None, True),
        (14.9, ASLEEP, False),
        (15.1, ASLEEP, True),
        (30, "{", True),
    ],
)
def test_overdue(hours: float, status: str | None, *, overdue: bool) -> None:
    door = replace(hung(), node_last_heard_ms=NOW_MS - int(hours * HOUR_MS), node_status=status)
    (one,) = silence([door], at_ms=NOW_MS)
    assert (one.topic, one.about, one.unjudged) == ("heard", "north", None)
    assert one.evidence["overdue"] is overdue
    assert one.evidence["silent_h"] == pytest.approx(hours)


@pytest.mark.parametrize(("heard_ms", "reason"), [(None, NEVER_HEARD), (NOW_MS + 1, HEARD_SINCE)])
def test_silence_that_cannot_be_judged(heard_ms: int | None, reason: str) -> None:
    door: DoorHung = replace(hung(), node_last_heard_ms=heard_ms)
    assert [one.unjudged for one in silence([door], at_ms=NOW_MS)] == [reason]
