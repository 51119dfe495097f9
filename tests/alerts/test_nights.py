"""Who holds back whom on one night, and what a doubt carries."""

from dataclasses import replace

from server.alerts.folding import Condition, Count
from server.alerts.nights import Around, Key, carried, doubted_of, fold_night, silent_of, site_finding
from server.alerts.verdicts import Noted

JOINT: Key = ("joint", "north/lock-hinge")
GAUGE: Key = ("gauge", "north/top")
ALARM = Noted(
    topic="joint", about="north/lock-hinge", evidence={"alarm": True}, rests_on=("north/top", "north/ref")
)
DOUBT = Noted(topic="gauge", about="north/top", evidence={"suspect": True})
NIGHT = "2027-03-01"


def test_a_gauge_holds_back_on_the_very_night() -> None:
    after = fold_night({}, [ALARM, DOUBT], night=NIGHT, around=Around())
    assert after[JOINT].standing is None
    assert doubted_of(after) == {"north/top"}
    (one,) = carried(after, [ALARM, DOUBT], doubted_of(after))
    assert (one.channel, one.detail) == ("north/top", "joint_opening joint:north/lock-hinge")


def test_a_gauge_of_another_door_holds_back_as_well() -> None:
    after = fold_night({}, [ALARM], night=NIGHT, around=Around(doubted=frozenset({"north/ref"})))
    assert after[JOINT].frozen == "gauge in doubt"
    assert [one.channel for one in carried(after, [ALARM], frozenset({"north/ref"}))] == ["north/ref"]


def test_a_gauge_in_doubt_does_not_hold_itself_back() -> None:
    own = replace(DOUBT, rests_on=("north/top", "north/ref"))
    after = fold_night({}, [own], night=NIGHT, around=Around(doubted=frozenset({"north/top", "north/ref"})))
    assert (after[GAUGE].frozen, after[GAUGE].counts["gauge_doubt"].over) == (None, 1)


def test_a_silent_box_holds_back_its_gauges_too() -> None:
    after = fold_night({}, [ALARM, DOUBT], night=NIGHT, around=Around(silent=frozenset({"north"})))
    assert {one.frozen for one in after.values()} == {"not heard"}
    assert doubted_of(after) == frozenset()


def test_what_is_at_rest_and_not_found_is_left_out() -> None:
    calm = {JOINT: Condition(counts={"joint_open": Count(under=3)})}
    assert fold_night(calm, [], night=NIGHT, around=Around()) == {}
    stands = {JOINT: Condition(counts={"joint_open": Count(since=NIGHT)})}
    assert fold_night(stands, [], night=NIGHT, around=Around())[JOINT].frozen == "not looked at"


def test_counted_anew_begins_from_nothing() -> None:
    stands = {JOINT: Condition(counts={"joint_open": Count(since=NIGHT)})}
    after = fold_night(stands, [], night=NIGHT, around=Around(anew=frozenset({JOINT})))
    assert after[JOINT].standing is None


def test_a_site_counts_its_silent_boxes() -> None:
    heard = {("heard", name): Condition(counts={"node_silent": Count(since=NIGHT)}) for name in "abc"}
    heard["heard", "d"] = Condition()
    assert silent_of(heard) == {"a", "b", "c"}
    assert site_finding("yard", heard, boxes=5).evidence == {"silent": 3, "boxes": 5}
