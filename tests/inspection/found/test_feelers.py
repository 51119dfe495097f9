"""Gauge and feeler: how far each says a gap went, what is chance, which check is compared with which.

Source of the bound: sensors, section 9.5: |gauge - feeler| <= 2 sqrt(u_g^2 + 2 u_f^2), u_g 0.0035 mm of
section 8.4, u_f half a step by the root of three; worked out here by hand to five places.
"""

from dataclasses import replace

import numpy as np
import pytest

from server.doors.checks import FeelerCheck
from server.inspection.found import gauges
from server.inspection.found.feelers import (
    FIRST_CHECK,
    NO_FEELER,
    NOT_READ,
    NOT_SURE,
    NOTHING_NEW,
    bound_mm,
    is_felt_since,
)
from server.inspection.found.told import day_text
from server.inspection.seen import Seen
from server.inspection.values import Finding
from tests.inspection.doors import HUNG_DAY, hung
from tests.inspection.found.seeing import DAY_MS, about, marked, seen_of, told, verdicts

GAUGE = "head-latch"
TODAY = HUNG_DAY + seen_of().inputs.last_ended
GOOD = dict.fromkeys(hung().channels, 96)
BOUND_MM = 0.04142  # of two sets with leaves 0.05 mm apart


def felt(
    days_ago: int, gap_mm: float, *, gauge: str = GAUGE, entered: int | None = None, **given: object
) -> FeelerCheck:
    """A check so many days before the last ended one, entered on its own day unless said otherwise."""
    one = FeelerCheck(
        gauge=gauge,
        t_ms=(TODAY - days_ago) * DAY_MS,
        values_mm=(gap_mm,) * 3,
        step_mm=0.05,
        enters=True,
        by="Anna",
        added_ms=(TODAY - (days_ago if entered is None else entered)) * DAY_MS,
    )
    return replace(one, **given)  # type: ignore[arg-type]  # each by its own name


def moved(by_mm: float, *checks: FeelerCheck, missing: int | None = None) -> Seen:
    """A gauge that said 1 mm until a month ago and so much more since; `missing`: a day without a reading."""
    seen = told(seen_of(), feelers=checks, good=GOOD)
    days = seen.inputs.gauges[GAUGE]
    median = np.ones(days.median.size)
    median[-30:] += by_mm
    if missing is not None:
        median[-1 - missing] = np.nan
    every = {**seen.inputs.gauges, GAUGE: replace(days, median=median)}
    return replace(seen, inputs=replace(seen.inputs, gauges=every))


def the(seen: Seen, gauge: str = GAUGE) -> Finding:
    return about(gauges.gauges(seen), f"north/{gauge}")


def why(seen: Seen) -> object:
    not_judged = the(seen).evidence["not_judged"]
    assert isinstance(not_judged, dict)
    return not_judged["gauge_off"]


@pytest.mark.parametrize(
    ("steps_mm", "bound"), [((0.05, 0.05), BOUND_MM), ((0.01, 0.01), 0.010755), ((0.05, 0.01), 0.03026)]
)
def test_the_bound_worked_by_hand(steps_mm: tuple[float, float], bound: float) -> None:
    before, now = (felt(0, 0.3, step_mm=step) for step in steps_mm)
    assert bound_mm(before, now) == pytest.approx(bound, abs=5e-6)


@pytest.mark.parametrize(
    ("by_gauge", "by_feeler", "said"),
    [
        (0.10 + BOUND_MM + 0.0001, 0.10, "at_once"),
        (0.10 + BOUND_MM - 0.0001, 0.10, "gone_at_once"),
        (0.10 - BOUND_MM - 0.0001, 0.10, "at_once"),
        (0.0, BOUND_MM - 0.0001, "gone_at_once"),
        (0.0, -BOUND_MM - 0.0001, "at_once"),
    ],
)
def test_what_differs_by_more_than_chance_is_off(by_gauge: float, by_feeler: float, said: str) -> None:
    found = the(moved(by_gauge, felt(60, 0.35), felt(0, 0.35 + by_feeler)))
    assert verdicts(found)["gauge_off"] == said
    assert found.evidence["gauge_moved_mm"] == pytest.approx(by_gauge)
    assert found.evidence["feeler_moved_mm"] == pytest.approx(by_feeler)
    assert found.evidence["feeler_since"] == day_text(TODAY - 60)


def test_a_second_look_decides_between_the_two() -> None:
    first, wrong = felt(60, 0.35), felt(3, 0.50)
    assert verdicts(the(moved(0.0, first, wrong)))["gauge_off"] == "at_once"
    assert verdicts(the(moved(0.0, first, wrong, felt(1, 0.35))))["gauge_off"] == "gone_at_once"
    again = the(moved(0.0, first, wrong, felt(1, 0.50)))
    assert verdicts(again)["gauge_off"] == "at_once"
    assert again.evidence["feeler_since"] == day_text(TODAY - 60)


def test_the_change_is_since_the_last_check_that_agreed() -> None:
    found = the(moved(0.1, felt(60, 0.35), felt(20, 0.45), felt(0, 0.45)))
    assert found.evidence["gauge_moved_mm"] == pytest.approx(0.0)
    assert found.evidence["feeler_since"] == day_text(TODAY - 20)


@pytest.mark.parametrize(
    ("checks", "reason"),
    [
        ((), NO_FEELER),
        ((felt(0, 0.3, gauge="latch-top"),), NO_FEELER),
        ((felt(0, 0.3),), FIRST_CHECK),
        ((felt(60, 0.3), felt(7, 0.3)), NOTHING_NEW),
        ((felt(60, 0.3), felt(0, 0.3, values_mm=(0.3, 0.3, 0.36))), NOT_SURE),
        ((felt(60, 0.3, values_mm=(0.3, 0.3, 0.36)), felt(0, 0.3)), FIRST_CHECK),
    ],
)
def test_why_it_is_not_judged(checks: tuple[FeelerCheck, ...], reason: str) -> None:
    seen = moved(0.5, *checks)
    assert (verdicts(the(seen))["gauge_off"], why(seen)) == ("unjudged", reason)


def test_a_day_without_a_reading_of_the_gauge_is_not_judged() -> None:
    assert why(moved(0.5, felt(60, 0.3), felt(2, 0.3), missing=2)) == NOT_READ
    assert why(moved(0.5, felt(2, 0.3), felt(0, 0.3), missing=2)) == FIRST_CHECK


def test_one_that_is_entered_late_is_judged_then() -> None:
    late = felt(20, 0.3, entered=0)
    assert verdicts(the(moved(0.5, felt(60, 0.3), late)))["gauge_off"] == "at_once"
    assert verdicts(the(moved(0.5, felt(60, 0.3), felt(20, 0.3, entered=6))))["gauge_off"] == "at_once"
    assert verdicts(the(moved(0.5, felt(60, 0.3), felt(6, 0.3))))["gauge_off"] == "at_once"
    assert why(moved(0.5, felt(60, 0.3), felt(20, 0.3, entered=7))) == NOTHING_NEW


@pytest.mark.parametrize("kind", ["gauge-moved", "gauge changed"])
def test_a_gauge_set_anew_begins_again(kind: str) -> None:
    seen = moved(0.5, felt(60, 0.3), felt(0, 0.3))
    assert why(marked(seen, kind, 30, f"Set anew: {GAUGE}.")) == FIRST_CHECK
    assert why(marked(seen, kind, 30)) == FIRST_CHECK  # of which gauge it was is not known
    assert why(marked(seen, kind, 0, GAUGE)) == NO_FEELER  # of that day's median nothing can be told
    assert verdicts(the(marked(seen, kind, 30, "latch-top")))["gauge_off"] == "at_once"
    assert verdicts(the(marked(seen, "planed", 30)))["gauge_off"] == "at_once"


def test_a_closed_shoulder_is_a_check_too() -> None:
    """Twice under 0.03: by the feeler nothing went, within what the thin leaf leaves open."""
    first, now = (felt(ago, 0.0, values_mm=(0.03,) * 3, enters=False) for ago in (60, 0))
    bound = 2 * (0.0035**2 + 2 * (0.015 / 3**0.5) ** 2) ** 0.5
    for by_mm, said in ((bound - 1e-4, "gone_at_once"), (bound + 1e-4, "at_once")):
        found = the(moved(by_mm, first, now))
        assert verdicts(found)["gauge_off"] == said


def test_a_diagonal_is_not_felt() -> None:
    diagonals = [gauge.channel for gauge in hung().built.gauges if gauge.kind == "diag"]
    assert diagonals
    for name in diagonals:
        not_judged = the(told(seen_of(), good=GOOD), name).evidence["not_judged"]
        assert isinstance(not_judged, dict)
        assert "gauge_off" not in not_judged


def test_a_slams_gauges_are_checked_once_each_was_felt_after_it() -> None:
    at_ms = (TODAY - 3) * DAY_MS + 5
    seen = told(seen_of(), feelers=(felt(3, 0.3), felt(2, 0.3)))
    assert is_felt_since(seen, [GAUGE], at_ms)
    assert is_felt_since(seen, [GAUGE, "diag-fall"], at_ms)  # no feeler reaches that one
    assert not is_felt_since(seen, [GAUGE, "latch-top"], at_ms)
    assert not is_felt_since(told(seen_of(), feelers=(felt(3, 0.3),)), [GAUGE], at_ms)
    unsure = felt(2, 0.3, values_mm=(0.3, 0.3, 0.4))
    assert not is_felt_since(told(seen_of(), feelers=(unsure,)), [GAUGE], at_ms)
