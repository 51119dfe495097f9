"""Joints: the figures that the rules read, and what the rules say of them."""

from dataclasses import replace

import numpy as np
import pytest

from server.inspection.found.joint import NOT_HEARD_OF, PAIR_MISSING, joints
from server.inspection.found.told import NO_LINE
from server.inspection.seen import Seen
from server.inspection.values import Finding
from tests.inspection.doors import Truth, hung, made_inputs, missing
from tests.inspection.found.seeing import about, seen_in, seen_of, served, stays, verdicts

PAIR = ("lock-hinge-top", "lock-hinge-bottom")
CALM = Truth(years=0.25, season_mm=0.0)


def lock(seen: Seen) -> Finding:
    return about(joints(seen), "north/lock-hinge")


def turned(mrad: float, *, days: int = 21, moisture: bool = True) -> Seen:
    """A joint of its first year that turned by so much in the last days."""
    inputs = made_inputs(CALM)
    late = inputs.day > inputs.last_ended - days
    by_mm = mrad / 1000 * 170 / 2
    gauges = dict(inputs.gauges)
    for name, side in zip(PAIR, (1, -1), strict=True):
        gauges[name] = replace(gauges[name], median=np.where(late, 0.2 + side * by_mm, 0.2))
    seen = seen_in(replace(inputs, gauges=gauges))
    # what the wood's moisture did in a fortnight is put in too: the made air swings
    still = None if seen.moisture is None else replace(seen.moisture, pct=np.full(inputs.day.size, 10.0))
    return replace(seen, moisture=still if moisture else None)


@pytest.mark.parametrize(
    ("mrad", "low", "watch", "opening", "is_open"),
    [
        (0.099, 0.09, "between", "gone", "gone"),
        (0.10, 0.067, "holds", "gone", "gone"),
        (0.10, 0.066, "between", "gone", "gone"),
        (0.15, 0.10, "holds", "holds", "between"),
        (0.15, 0.099, "holds", "between", "between"),
        (0.166, 0.111, "holds", "holds", "holds"),
        (0.166, 0.110, "holds", "holds", "between"),
        (0.069, 0.05, "gone", "gone", "gone"),
    ],
)
def test_what_stays_of_the_turn(mrad: float, low: float, watch: str, opening: str, is_open: str) -> None:
    seen = served(seen_of(), "turn:lock-hinge", None, **stays(mrad, low, alarm=False))
    seen = served(seen, "opening:lock-hinge", None, **stays(0.0, -0.01, alarm=False))
    seen = replace(seen, moisture=None)
    assert verdicts(lock(seen)) == {"joint_watch": watch, "joint_opening": opening, "joint_open": is_open}


@pytest.mark.parametrize(
    ("turn_alarm", "opening_alarm", "mm", "low", "said"),
    [
        (True, False, 0.0, -0.01, "at_once"),
        (False, True, 0.15, 0.10, "at_once"),
        (False, True, 0.149, 0.10, "gone"),
        (False, True, 0.15, 0.099, "gone"),
        (False, False, 0.2, 0.15, "gone"),
        (None, None, 0.0, -0.01, "unjudged"),
        (None, False, 0.0, -0.01, "unjudged"),
    ],
)
def test_the_alarm_of_the_opening_counts_late(
    turn_alarm: bool | None, opening_alarm: bool | None, mm: float, low: float, said: str
) -> None:
    seen = served(seen_of(), "turn:lock-hinge", None, **stays(0.01, -0.02, alarm=turn_alarm))
    seen = served(seen, "opening:lock-hinge", None, **stays(mm, low, alarm=opening_alarm))
    assert verdicts(lock(seen))["joint_opening"] == said


@pytest.mark.parametrize(
    ("rate_low", "opening_alarm", "mm", "stays_mrad", "said"),
    [
        (0.001, False, 0.0, 0.01, "at_once"),
        (0.0, False, 0.0, 0.01, "between"),
        (-0.01, False, 0.0, 0.01, "between"),
        (-0.01, False, 0.0, 0.20, "holds"),
        (-0.01, True, 0.16, 0.01, "at_once"),
        (-0.01, True, 0.10, 0.01, "between"),
    ],
)
def test_an_alarm_of_the_turn_is_to_be_borne_out_by_its_rate(
    rate_low: float, opening_alarm: bool, mm: float, stays_mrad: float, said: str
) -> None:
    """Neither raised nor ended while the night's own interval of the rate holds none; a convention."""
    rates = (rate_low, 0.02, 0.05)
    turn = stays(stays_mrad, 0.8 * stays_mrad, alarm=True)
    seen = served(seen_of(), "turn:lock-hinge", rates, **turn)
    seen = served(seen, "opening:lock-hinge", None, **stays(mm, mm - 0.05, alarm=opening_alarm))
    assert verdicts(lock(seen))["joint_opening"] == said


@pytest.mark.parametrize(("mm", "low", "said"), [(0.30, 0.20, "holds"), (0.299, 0.2, "between")])
def test_the_mean_opening_has_its_own_limit(mm: float, low: float, said: str) -> None:
    seen = served(seen_of(), "turn:lock-hinge", None, **stays(0.01, -0.02))
    seen = served(seen, "opening:lock-hinge", None, **stays(mm, low))
    assert verdicts(lock(seen))["joint_open"] == said


@pytest.mark.parametrize(
    ("mrad", "days", "said"),
    [
        (0.31, 40, "holds"),
        (0.29, 40, "between"),
        (0.23, 40, "gone"),
        (0.11, 12, "holds"),
        (0.09, 12, "between"),
        (0.04, 12, "gone"),
    ],
)
def test_a_first_year_is_watched_by_what_is_seen(mrad: float, days: int, said: str) -> None:
    found = lock(turned(mrad, days=days))
    assert found.unjudged is None
    assert found.evidence["turn_stays_mrad"] is None
    assert verdicts(found) == {"joint_watch": said, "joint_opening": "unjudged", "joint_open": "unjudged"}


def test_a_rise_in_air_that_moved_or_is_not_known_says_nothing() -> None:
    rising = turned(0.2, days=10)
    assert rising.moisture is not None
    ramp = np.where(rising.inputs.day > rising.inputs.last_ended - 8, 11.1, 10.0)
    damp = replace(rising, moisture=replace(rising.moisture, pct=ramp))
    assert lock(damp).evidence["moisture_change_14d_pct"] == pytest.approx(1.1)
    for seen in (damp, turned(0.2, days=10, moisture=False)):
        assert verdicts(lock(seen))["joint_watch"] == "gone"  # by what is seen: under 0.24
    assert verdicts(lock(rising))["joint_watch"] == "holds"


def test_a_rise_is_counted_from_the_line_on() -> None:
    rising = turned(0.2, days=12)
    assert rising.line is not None
    last = rising.inputs.last_ended
    for start, is_told in ((last - 17, True), (last - 16, False)):  # four days of the seven, or three
        late = replace(rising, line=replace(rising.line, start=start))
        assert (lock(late).evidence["turn_rise_14d_mrad"] is not None) is is_told


def test_before_the_line_and_without_a_gauge_nothing_is_judged() -> None:
    early = seen_of(Truth(years=20 / 365.25))
    assert early.line is not None
    assert (early.line.kind, lock(early).unjudged) == ("first", NO_LINE)
    inputs = made_inputs(CALM)
    gone = seen_in(missing(inputs, inputs.last_ended - 7, inputs.last_ended + 1, gauges=PAIR[:1]))
    served_once = served(gone, "turn:lock-hinge", None, **stays(0.2, 0.15, last_day=inputs.hung_day + 60))
    assert lock(served_once).unjudged == PAIR_MISSING
    assert set(verdicts(lock(served_once)).values()) == {"unjudged"}
    assert lock(Seen(inputs=inputs, looks={})).unjudged == NOT_HEARD_OF


def test_it_rests_on_its_pair_and_the_reference() -> None:
    assert lock(seen_of()).rests_on == ("north/lock-hinge-top", "north/lock-hinge-bottom", "north/ref")
    door = hung()
    gauges = tuple(gauge for gauge in door.built.gauges if gauge.kind != "ref")
    alone = hung(built=replace(door.built, gauges=gauges))
    assert lock(seen_of(door=alone)).rests_on == ("north/lock-hinge-top", "north/lock-hinge-bottom")


def test_the_dates_are_of_the_series_nearer_its_limit() -> None:
    day = 20_000  # 2024-10-04
    ahead = {"forecast": {"earliest": day, "latest": day + 1}}
    turn = served(seen_of(), "turn:lock-hinge", (0.02, 0.05, 0.08), **stays(0.15, 0.12, alarm=True, **ahead))
    turn = served(turn, "opening:lock-hinge", None, **stays(0.01, -0.01, alarm=False))
    evidence = lock(turn).evidence
    assert (evidence["earliest"], "latest" in evidence) == ("2024-10-04", False)
    assert evidence["turn_rate_low_mrad_per_year"] == 0.02
    opening = served(turn, "opening:lock-hinge", None, **stays(0.29, 0.25, alarm=True, **ahead))
    assert lock(opening).evidence["latest"] == "2024-10-05"
