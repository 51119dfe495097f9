"""Steps that nobody logged, and slams."""

from dataclasses import replace

import pytest

from server.doors.checks import FeelerCheck
from server.inspection.found.steps import slams, steps
from server.inspection.found.told import day_text
from server.inspection.seen import Seen
from server.inspection.values import Earlier, Jump
from tests.inspection.doors import HUNG_DAY
from tests.inspection.found.seeing import marked, seen_of, served, told, verdicts

DAY = HUNG_DAY + 60
NAME = f"north/lock-hinge@{day_text(DAY)}"
AT_MS = (HUNG_DAY + 60) * 86_400_000 + 3_600_000


def stepped(day: int = DAY, key: str = "turn:lock-hinge") -> Seen:
    return served(seen_of(), key, None, found_steps=[[day, 0.3, 0.02]])


def test_a_step_is_named_by_its_joint_and_day() -> None:
    (one,) = steps(stepped())
    assert (one.about, one.evidence["size"], one.evidence["unit"]) == (NAME, 0.3, "mrad")
    assert verdicts(one) == {"step_unlogged": "holds"}
    assert one.rests_on == ("north/lock-hinge-top", "north/lock-hinge-bottom", "north/ref")


@pytest.mark.parametrize(
    ("key", "name"),
    [("opening:lock-hinge", "lock-hinge"), ("gap:head-latch", "head-latch"), ("droop", "droop")],
)
def test_other_series_have_their_own_names(key: str, name: str) -> None:
    (one,) = steps(stepped(key=key))
    assert one.about == f"north/{name}@{day_text(DAY)}"


def test_turn_and_opening_of_one_day_are_one_step() -> None:
    both = served(stepped(), "opening:lock-hinge", None, found_steps=[[DAY, 0.1, 0.02]])
    assert [one.about for one in steps(both)] == [NAME]


@pytest.mark.parametrize(("days", "said"), [(7, "gone_at_once"), (8, "holds")])
def test_a_mark_within_a_week_logs_it(days: int, said: str) -> None:
    seen = stepped(HUNG_DAY + seen_of().inputs.last_ended - 20)
    for ago in (20 - days, 20 + days):
        (one,) = steps(marked(seen, "note", ago))
        assert verdicts(one) == {"step_unlogged": said}
    (noticed,) = steps(marked(seen, "twin", 20))
    assert verdicts(noticed) == {"step_unlogged": "holds"}


def test_a_step_keeps_the_day_of_its_first_finding() -> None:
    known = (Earlier(topic="step", about=NAME, evidence={"found": True, "size": 0.3}),)
    near = told(stepped(DAY + 10), earlier=known)
    assert [one.about for one in steps(near)] == [NAME]
    far = steps(told(stepped(DAY + 11), earlier=known))
    assert {one.about: verdicts(one)["step_unlogged"] for one in far} == {
        f"north/lock-hinge@{day_text(DAY + 11)}": "holds",
        NAME: "gone",
    }


def test_a_slam_that_was_felt_beside_it_stays_with_it() -> None:
    evidence = {"found": True, "size": 0.3, "slam_on": day_text(DAY - 1), "slam_is_hardest": True}
    known = (Earlier(topic="step", about=NAME, evidence=evidence),)
    (one,) = steps(told(stepped(DAY + 2), earlier=known))
    assert (one.evidence["slam_on"], one.evidence["slam_is_hardest"]) == (day_text(DAY - 1), True)
    assert verdicts(one) == {"step_unlogged": "holds"}


def test_a_step_of_a_series_not_looked_at_is_not_gone() -> None:
    known = (Earlier(topic="step", about=NAME, evidence={"found": True}),)
    assert steps(told(seen_of(), earlier=known)) == []


def jumped(lasts_h: float = 30.0, channels: tuple[str, ...] = ("head-latch", "latch-top")) -> Seen:
    return told(seen_of(), jumps=(Jump(t_ms=AT_MS, channels=channels, most_mm=0.3, lasts_h=lasts_h),))


@pytest.mark.parametrize(
    ("lasts_h", "channels", "said"),
    [
        (24.0, ("head-latch", "latch-top"), "at_once"),
        (23.9, ("head-latch", "latch-top"), "between"),
        (24.0, ("head-latch",), "between"),
    ],
)
def test_a_slam(lasts_h: float, channels: tuple[str, ...], said: str) -> None:
    (one,) = slams(jumped(lasts_h, channels))
    assert one.about == f"north@{day_text(DAY)}"
    assert verdicts(one) == {"slam": said}
    assert one.rests_on == (*(f"north/{name}" for name in channels), "north/ref")


def test_a_slam_found_earlier_goes_on_until_the_gauges_are_checked() -> None:
    (one,) = slams(jumped())
    kept = Earlier(topic="slam", about=one.about, evidence=one.evidence)
    later = told(seen_of(), earlier=(kept,))
    (again,) = slams(later)
    assert (again.evidence, verdicts(again)) == (one.evidence, {"slam": "at_once"})
    assert again.rests_on == one.rests_on
    ago = HUNG_DAY + later.inputs.last_ended - DAY
    assert [verdicts(one)["slam"] for one in slams(marked(later, "calibrated", ago))] == ["at_once"]
    assert [verdicts(one)["slam"] for one in slams(marked(later, "calibrated", ago - 1))] == ["gone_at_once"]
    salt_jar = marked(later, "calibrated", ago - 1, "air-rh: 75.1 %")  # of no gauge that jumped
    assert [verdicts(one)["slam"] for one in slams(salt_jar)] == ["at_once"]
    felt = FeelerCheck(
        gauge="latch-top",
        t_ms=AT_MS + 1,
        values_mm=(0.3, 0.3, 0.3),
        step_mm=0.05,
        enters=True,
        by="Anna",
        added_ms=AT_MS + 1,
    )
    names = one.evidence["gauges"]
    assert isinstance(names, list)
    every = tuple(replace(felt, gauge=name) for name in names)
    assert [verdicts(one)["slam"] for one in slams(told(later, feelers=every))] == ["gone_at_once"]
    assert [verdicts(one)["slam"] for one in slams(told(later, feelers=every[1:]))] == ["at_once"]
    before = tuple(replace(check, t_ms=AT_MS) for check in every)
    assert [verdicts(one)["slam"] for one in slams(told(later, feelers=before))] == ["at_once"]


def test_while_readings_come_in_nothing_is_said() -> None:
    both = replace(jumped(), looks=stepped().looks)
    found = [*steps(both, held_back="later"), *slams(both, held_back="later")]
    assert [verdict for one in found for verdict in verdicts(one).values()] == ["unjudged", "unjudged"]
