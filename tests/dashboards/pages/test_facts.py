"""Facts put together from what the subjects say."""

from dataclasses import replace
from datetime import timedelta

import pytest

from dashboards.pages import facts
from tests.dashboards import yard


def test_what_is_shown_adds_up_and_keeps_its_limit() -> None:
    told = yard.told()
    assert told.main is not None
    assert told.main.split is not None
    assert told.leaf is not None
    shown = told.main.split
    assert shown.total == round(shown.stays + shown.back, 2)
    assert told.leaf.limit == pytest.approx(
        2.43, abs=0.005
    )  # 3 mm latch gap x 1050 / 1075, less 0.5 kept free
    assert told.leaf.season == pytest.approx(0.30)
    assert told.leaf.left == round(2.43 - round(told.leaf.stays, 2) - 0.30, 2)


def test_joints_stand_by_place_top_to_bottom_hinge_side_first() -> None:
    assert [one.joint for one in yard.told().joints] == ["top-hinge", "lock-hinge", "lock-latch"]


def test_the_worst_joint_is_the_series_nearest_its_limit() -> None:
    results = yard.north_results()
    results["opening:lock-latch"] = yard.result("opening:lock-latch", facts={"stays": 0.28}, swing=0.1)
    worst = yard.told(results=results).worst
    assert worst is not None
    assert worst.what == "Lock rail, latch side, mean opening"
    assert worst.share == pytest.approx(0.28 / 0.30)
    worst_turn = yard.told().worst
    assert worst_turn is not None
    results["turn:top-hinge"] = yard.result("turn:top-hinge", facts={"stays": 0.28, "limit": 0.29})
    results["opening:lock-latch"] = yard.result("opening:lock-latch", facts={"stays": 0.285})
    nearest = yard.told(results=results).worst
    assert nearest is not None
    assert nearest.what == "Top rail, hinge side, turn"  # 0.97 of its limit, though 0.285 is more than 0.28
    assert (worst_turn.what, worst_turn.unit) == ("Lock rail, hinge side, turn", "mrad")


def test_a_joint_reads_by_its_alert_before_its_figures() -> None:
    about = "north/lock-hinge"
    told = yard.told(standing=(yard.alert("joint_opening", about=about),))
    assert {one.joint: one.state for one in told.joints}["lock-hinge"] == "opening"
    assert {one.joint: one.word for one in told.joints}["lock-latch"] == "Growth, within its limit"
    watched = yard.told(standing=(yard.alert("joint_watch", about=about),))
    assert {one.joint: one.word for one in watched.joints}["lock-hinge"] == "Joint to watch"


def test_another_doors_alert_is_not_ours() -> None:
    foreign = yard.alert("joint_open", about="south/lock-hinge", door_id=2)
    told = yard.told(standing=(foreign,))
    assert told.standing == ()
    assert {one.state for one in told.joints} == {None}


def test_a_joint_without_growth_moves_with_the_season() -> None:
    assert {one.state for one in yard.told("south").joints} == {"seasonal"}
    still = {
        key: replace(one, facts=one.facts | {"swing_year": 0.02}) for key, one in yard.south_results().items()
    }
    assert {one.state for one in yard.told("south", results=still).joints} == {"true"}


def test_a_silent_door_keeps_the_place_of_its_last_state() -> None:
    silent = yard.told(
        state="not_heard",
        heard=yard.NOW - timedelta(days=26),
        standing=(yard.alert("joint_opening", about="north/lock-hinge"), yard.alert("node_silent", id=2)),
    )
    assert silent.last_state == "opening"
    assert facts.pressing(silent) < facts.pressing(yard.told())
    assert facts.pressing(yard.told()) < facts.pressing(yard.told("south", state="seasonal"))


def test_one_gauge_alone_is_told_as_such() -> None:
    results = {"gauge:corner": yard.result("gauge:corner", facts={"limit": 1.5})}
    told = yard.told(results=results)
    assert told.at_gauge
    assert told.leaf is not None
    assert told.leaf.limit == 1.5
    assert yard.told(results={}).main is None


def test_a_joint_with_a_gauge_in_doubt_is_not_said() -> None:
    doubt = yard.alert("gauge_doubt", topic="gauge", about="north/lock-hinge-top")
    told = yard.told(standing=(doubt,))
    joint = next(one for one in told.joints if one.joint == "lock-hinge")
    assert (joint.turn, joint.opening, joint.spent, joint.word) == (None, None, None, facts.IN_DOUBT)
    assert told.worst is not None
    assert "Lock rail, hinge side" not in told.worst.what


def test_a_silent_door_without_alerts_has_the_ledger_s_quiet_state() -> None:
    late = yard.NOW - timedelta(days=26)
    assert yard.told("south", state="not_heard", heard=late).last_state == "seasonal"
    assert yard.told("north", state="not_heard", heard=late).last_state == "taking_a_set"
    assert yard.told(results={}, state="not_heard", heard=late).last_state == "settling"


def test_only_what_is_drawn_is_read_with_its_days() -> None:
    keys = ["droop", "gauge:corner", "turn:lock-hinge", "opening:lock-hinge", "gap:head", "rack"]
    assert [key for key in keys if facts.is_drawn_from(key)] == ["droop", "gauge:corner"]
