"""Whole looks at invented doors whose truth is known."""

from dataclasses import replace

import numpy as np

from server.alerts.rules import STEPS, Limits, judge
from server.inspection.cutting import as_of
from server.inspection.look import look, watched_look
from server.inspection.trending import Asked
from server.inspection.values import DoorInputs, Inspection
from tests.inspection.doors import HUNG_DAY, Truth, hung, made_inputs, missing, one_joint

MOVES = ("joint", "leaf")


def verdicts(inspection: Inspection) -> dict[tuple[str, str], str]:
    """Of joints and leaf."""
    return {
        (one.about, step.code): judge(one, step, Limits())
        for one in inspection.findings
        for step in STEPS.values()
        if step.topic == one.topic and one.topic in MOVES
    }


def test_a_healthy_door_holds_nothing() -> None:
    found = verdicts(look(made_inputs(Truth(years=3.0))))
    assert len(found) == 11
    assert "holds" not in found.values()
    assert found["north", "leaf_over"] == "gone"


def test_a_joint_that_opens_is_the_only_one_found() -> None:
    found = verdicts(look(made_inputs(Truth(years=3.0, turn_mrad_per_year=0.15))))
    assert {cause for cause, verdict in found.items() if verdict == "holds"} == {
        ("north/lock-hinge", "joint_watch"),
        ("north/lock-hinge", "joint_opening"),
        ("north/lock-hinge", "joint_open"),
    }


def test_a_mean_opening_past_its_limit_is_an_open_joint() -> None:
    found = verdicts(look(made_inputs(Truth(years=3.0, opening_mm_per_year=0.15))))
    assert found["north/lock-hinge", "joint_open"] == "holds"
    assert found["north/lock-hinge", "joint_opening"] != "holds"


def test_a_season_larger_than_the_limit_is_no_open_joint() -> None:
    inspection = look(made_inputs(Truth(years=3.0, season_mm=0.7)))
    swings = {one.key: one.number("swing_year") for one in inspection.series}
    assert (swings["opening:lock-hinge"] or 0.0) > 0.6
    assert "holds" not in verdicts(inspection).values()


def test_a_leaf_that_drops_past_its_limit() -> None:
    found = verdicts(look(made_inputs(Truth(years=3.0, droop_mm_per_year=1.0))))
    assert found["north", "leaf_over"] == "holds"


def test_an_outage_of_one_pair_leaves_the_rest() -> None:
    inputs = missing(made_inputs(Truth(years=2.5)), 400, 700, gauges=("lock-hinge-top", "lock-hinge-bottom"))
    found = {one.key: one for one in look(inputs).series}
    assert found["droop"].facts["days_seen"] == inputs.day.size
    assert found["turn:lock-hinge"].facts["days_seen"] == inputs.day.size - 300


def test_no_climate_refuses_all_and_raises_nothing() -> None:
    inputs = made_inputs(Truth(years=2.5, turn_mrad_per_year=0.3))
    inspection = look(replace(inputs, rh_pct=np.full(inputs.day.size, np.nan)))
    assert {one.status for one in inspection.series} == {"refused"}
    # What is seen, season and all, may be watched; what stays cannot be judged.
    stays = {cause: verdict for cause, verdict in verdicts(inspection).items() if cause[1] != "joint_watch"}
    assert set(stays.values()) == {"unjudged"}


def test_a_door_never_heard_has_findings_that_say_so() -> None:
    none = np.zeros(0)
    inputs = DoorInputs(
        door=hung(), hung_day=18_688, day=np.zeros(0, np.int64), gauges={}, temp_c=none, rh_pct=none
    )
    inspection = look(inputs)
    assert inspection.series == ()
    said = {one.unjudged for one in inspection.findings if one.topic in MOVES}
    assert said == {"no reading of its gauges has been heard yet"}


def test_a_brief_look_gives_the_same_findings() -> None:
    inputs = made_inputs(Truth(years=1.1), one_joint())
    whole = watched_look(inputs, {})
    short = watched_look(inputs, {}, asked=Asked(brief=True))
    assert short.inspection.findings == whole.inspection.findings
    assert [one.parts for one in short.inspection.series] == [None, None]
    assert [one.parts is None for one in whole.inspection.series] == [False, False]


def test_a_brief_look_of_the_first_year_is_refused_as_the_whole_one_is() -> None:
    inputs = made_inputs(Truth(years=0.7), one_joint())
    for asked in (Asked(brief=True), Asked()):
        for one in watched_look(inputs, {}, asked=asked).inspection.series:
            assert (one.status, one.reason) == (
                "refused",
                "season and what stays are parted after a year; 254 days are heard",
            )


def test_nothing_heard_leaves_the_watches_as_they_are() -> None:
    before = watched_look(made_inputs(Truth(years=1.1), one_joint()), {}).watches
    none = as_of(made_inputs(Truth(years=0.1), one_joint()), HUNG_DAY)
    looked = watched_look(none, before)
    assert looked.watches == before
    assert looked.inspection.series == ()
