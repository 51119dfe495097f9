"""The trend figures of a door's page."""

import pytest

from dashboards.pages import trends
from dashboards.pages.noticed import Tick
from tests.dashboards import yard

DATED: dict[str, object] = {
    "alarm": True,
    "forecast": {"earliest": yard.TODAY + 90, "latest": yard.TODAY + 400},
}


def test_the_corner_s_trend_has_its_words() -> None:
    told = yard.told()
    drawn = trends.trend(told, trends.main_drawn(told))
    assert drawn is not None
    assert drawn.head == "Corner droop since it was hung"
    assert drawn.data == "/figures/saltmarsh-yard/north/trend.json"
    assert drawn.unit == "mm below the hung line"
    assert not drawn.has_ahead
    assert "Ticks" not in drawn.caption


def test_ticks_and_a_date_are_explained_where_they_stand() -> None:
    told = yard.told(results={"droop": yard.result("droop", facts=DATED)})
    drawn = trends.trend(told, trends.main_drawn(told), (Tick(day=yard.TODAY - 200, is_found=True),))
    assert drawn is not None
    assert drawn.has_ahead
    assert "nobody has logged" in drawn.caption
    assert "on the earliest day and on the latest" in drawn.caption
    assert "safe until then" in drawn.caption
    assert "?" in {label.text for label in drawn.still.labels}


def test_a_joint_is_drawn_in_its_own_unit_and_its_turn_has_no_latest_day() -> None:
    turn = yard.result("turn:lock-hinge", start=0.03, rate=0.02, facts=DATED)
    told = yard.told(results={"turn:lock-hinge": turn})
    assert told.worst is not None
    drawn = trends.joint_drawn(told.worst, told.worst.movement)
    said = trends.figure_words(told, drawn, ())
    assert said.unit == "mrad"
    assert said.onward is not None
    assert said.onward.latest is None
    made = trends.trend(told, drawn)
    assert made is not None
    assert made.head == "Lock rail, hinge side: turn since it was hung"
    assert made.data.endswith("trend.json?series=turn:lock-hinge")
    assert made.unit == "mrad open, counted from the hung line"


def test_nothing_leads_on_to_a_limit_that_is_passed() -> None:
    turn = yard.result("turn:lock-hinge", start=0.03, facts=DATED)
    told = yard.told(results={"turn:lock-hinge": turn})
    assert told.worst is not None
    made = trends.trend(told, trends.joint_drawn(told.worst, told.worst.movement))
    assert made is not None
    assert not made.has_ahead
    assert "dotted" not in made.caption


@pytest.mark.parametrize(("facts", "has_new_leaf"), [({"half_width": 0.2}, False), ({"days_seen": 90}, True)])
def test_only_a_new_leaf_is_called_new(facts: dict[str, object], has_new_leaf: bool) -> None:
    told = yard.told(results={"droop": yard.result("droop", status="refused", facts=facts)}, state="settling")
    drawn = trends.trend(told, trends.main_drawn(told))
    assert drawn is not None
    assert ("A new leaf" in drawn.caption) is has_new_leaf


def test_nothing_is_drawn_of_nothing() -> None:
    assert trends.trend(yard.told(results={}), trends.main_drawn(yard.told(results={}))) is None
