"""Counting one cause where the published nights do not look: hidden counts, first nights, done for good."""

from dataclasses import replace
from datetime import date, timedelta

from server.alerts.folding import Condition, Count, Held, fold, nights_between
from server.alerts.verdicts import Limits, Noted

CAUSE = ("joint", "north/lock-hinge")
OPEN: dict[str, object] = {
    "turn_stays_mrad": 0.25,
    "turn_low_mrad": 0.2,
    "turn_open_mrad": 0.2,
}
CALM = OPEN | {"turn_stays_mrad": 0.01, "turn_low_mrad": 0.0}


def joint(evidence: dict[str, object]) -> Noted:
    return Noted(topic="joint", about="north/lock-hinge", evidence=evidence)


def after(before: Condition, evidence: dict[str, object] | None, nights: int, **held: bool) -> Condition:
    for k in range(nights):
        night = (date(2027, 3, 1) + timedelta(days=k)).isoformat()
        found = None if evidence is None else joint(evidence)
        before = fold(before, found, cause=CAUSE, night=night, limits=Limits(), held=Held(**held))
    return before


def test_doubt_counts_apart_and_is_dropped_when_it_ends() -> None:
    doubted = after(Condition(), OPEN, 7, is_doubted=True)
    assert doubted.standing is None
    assert doubted.frozen == "gauge in doubt"
    hiding = doubted.is_hiding
    assert hiding is not None
    assert hiding.code == "joint_open"
    free = after(doubted, OPEN, 1)
    assert (free.hidden, free.is_hiding, free.counts["joint_open"].over) == (None, None, 1)


def test_what_stands_already_is_not_hidden() -> None:
    assert after(after(Condition(), OPEN, 7), OPEN, 3, is_doubted=True).is_hiding is None


def test_a_silent_box_in_doubt_counts_neither() -> None:
    both = after(Condition(), OPEN, 7, is_doubted=True, is_silent=True)
    assert (both.frozen, both.is_hiding) == ("not heard", None)


def test_the_first_night_of_a_run_is_kept() -> None:
    run = after(Condition(), OPEN, 9).counts["joint_open"]
    assert (run.first, run.since) == ("2027-03-01", "2027-03-07")
    assert after(Condition(counts={"joint_open": run}), CALM, 1).counts["joint_open"].first is None


def test_at_rest_is_nothing_counted() -> None:
    assert after(Condition(), CALM, 3).is_at_rest
    assert not after(Condition(), OPEN, 1).is_at_rest
    assert not after(Condition(), OPEN, 1, is_doubted=True).is_at_rest
    assert not replace(after(Condition(), CALM, 3), closed=("joint_open", "2027-03-01")).is_at_rest
    assert Condition(counts={"slam": Count(over=1)}, done="lapsed").is_at_rest


def test_a_slam_lapses_after_sixty_nights_and_never_returns() -> None:
    slam = Noted(topic="slam", about="north@2027-03-01", evidence={"channels": 3, "lasts_h": 30})
    was = Condition()
    for k in range(70):
        night = (date(2027, 3, 2) + timedelta(days=k)).isoformat()
        was = fold(was, slam, cause=("slam", slam.about), night=night, limits=Limits())
        assert (was.standing is not None) is (k < 60)
    assert was.done == "lapsed"


def test_nights_between_slots_of_hours() -> None:
    assert nights_between("2027-03-01T22", "2027-03-03T01") == 2
