"""Days that nobody should trust, at the level of a look: a refusal or a step, never a sure number."""

from dataclasses import replace

import numpy as np
import pytest

from server.doors.marks import Mark
from server.inspection.look import watched_look
from server.inspection.values import DoorInputs, GaugeDays, Inspection, SeriesLook
from tests.inspection.doors import HUNG_DAY, Truth, made_inputs, missing, one_gauge, one_joint

pytestmark = pytest.mark.usefixtures("fits_once")

DAY_MS = 86_400_000
TURN = "turn:lock-hinge"


def said(inputs: DoorInputs) -> Inspection:
    return watched_look(inputs, {}).inspection


def series(inputs: DoorInputs, key: str) -> SeriesLook:
    return next(one for one in said(inputs).series if one.key == key)


def is_unsure(one: SeriesLook) -> bool:
    """Whether it says no number of what stays, and why."""
    numbers = (one.rate, one.low, one.high, *(one.number(name) for name in ("stays", "stays_low", "back")))
    return one.status == "refused" and bool(one.reason) and set(numbers) == {None}


def air(inputs: DoorInputs, rh_pct: float | None) -> DoorInputs:
    value = np.full(inputs.day.size, np.nan if rh_pct is None else rh_pct)
    return replace(inputs, rh_pct=value)


@pytest.mark.parametrize("rh_pct", [100.0, 0.0, 63.0, None], ids=["at 100 %", "at 0 %", "at 63 %", "missing"])
def test_a_hygrometer_that_is_stuck_or_gone_all_along_is_no_climate(rh_pct: float | None) -> None:
    found = said(air(made_inputs(Truth(years=1.2), one_joint()), rh_pct))
    assert [is_unsure(one) for one in found.series] == [True, True]
    assert {one.reason for one in found.series} <= {
        "the air at the door is not known, so season and what stays cannot be parted"
    }


def test_a_hygrometer_that_sticks_later_hides_its_days_alone() -> None:
    inputs = made_inputs(Truth(years=2.3), one_gauge())
    stuck = replace(inputs, rh_pct=np.where(inputs.day >= 500, 100.0, inputs.rh_pct))
    one = series(stuck, "gauge:droop")
    whole = series(inputs, "gauge:droop")
    assert one.number("half_width") is not None
    # 14 days pass until it is known to be stuck, 7 more until the slab is not known: then nothing is used
    assert (one.number("half_width") or 0.0) > (whole.number("half_width") or 0.0)
    assert one.facts["alarm"] is False


def test_all_missing_says_so() -> None:
    inputs = made_inputs(Truth(years=1.2), one_gauge())
    nothing = missing(inputs, 0, inputs.day.size)
    (one,) = said(nothing).series
    assert is_unsure(one)
    assert one.reason == "nothing has been heard of it yet"


def test_eleven_months_are_not_a_year() -> None:
    one = series(made_inputs(Truth(years=334 / 365.25), one_gauge()), "gauge:droop")
    assert is_unsure(one)
    assert one.reason == "season and what stays are parted after a year; 333 days are heard"
    assert (one.facts["alarm"], one.facts["found_steps"]) == (None, [])


def test_few_days_in_a_year_are_too_few() -> None:
    inputs = made_inputs(Truth(years=1.1), one_gauge())
    some = replace(
        inputs,
        gauges={
            name: GaugeDays(
                median=np.where((inputs.day % 3 == 0) | (inputs.day < 30), days.median, np.nan), n=days.n
            )
            for name, days in inputs.gauges.items()
        },
    )
    one = series(some, "gauge:droop")
    assert is_unsure(one)
    assert one.reason == "it takes readings on 180 days; 154 came"


SWAPPED = made_inputs(Truth(years=2.2), one_joint())
SHIFT_MM = 0.05  # another gauge that sits so much lower: 0.29 mrad across 170 mm


def swapped(inputs: DoorInputs, since: int = 600) -> DoorInputs:
    days = inputs.gauges["lock-hinge-top"]
    other = GaugeDays(median=days.median + SHIFT_MM * (inputs.day >= since), n=days.n)
    return replace(inputs, gauges={**inputs.gauges, "lock-hinge-top": other})


def test_a_gauge_swapped_without_a_mark_is_a_step_and_no_alarm() -> None:
    one = series(swapped(SWAPPED), TURN)
    steps = one.facts["found_steps"]
    assert isinstance(steps, list)
    ((day, size, error),) = steps
    assert abs(day - HUNG_DAY - 600) <= 1
    assert size == pytest.approx(1000 * SHIFT_MM / 170, abs=4 * error)
    assert error < 0.05
    assert one.facts["alarm"] is False
    assert is_unsure(one) or (one.low is not None and one.low < 0.0 < (one.high or 0.0))


def test_a_gauge_swapped_with_a_mark_is_no_step_that_nobody_logged() -> None:
    mark = Mark(t_ms=(HUNG_DAY + 600) * DAY_MS, kind="gauge changed", text="lock-hinge-top", by="maker")
    one = series(replace(swapped(SWAPPED), marks=(mark,)), TURN)
    assert one.facts["found_steps"] == []
    assert one.facts["alarm"] is False


def test_a_clock_that_jumped_leaves_a_hole_and_moves_nothing() -> None:
    """A box 90 days ahead for 20 days: the store has nothing for those days until its clock is put right."""
    inputs = made_inputs(Truth(years=2.2), one_joint())
    hole = missing(inputs, 560, 580)
    one, whole = series(hole, TURN), series(inputs, TURN)
    assert one.facts["days_seen"] == inputs.day.size - 20
    assert (one.facts["found_steps"], one.facts["alarm"]) == ([], False)
    assert one.status == whole.status


def test_a_day_of_another_time_is_an_outlier_and_no_step() -> None:
    """Three days whose readings are of another season, as a clock that ran wrong puts them there."""
    inputs = made_inputs(Truth(years=2.2, season_mm=0.6), one_gauge())
    days = inputs.gauges["droop"]
    wrong = days.median.copy()
    wrong[560:563] = days.median[740:743]
    one = series(replace(inputs, gauges={"droop": GaugeDays(median=wrong, n=days.n)}), "gauge:droop")
    assert (one.facts["found_steps"], one.facts["alarm"]) == ([], False)
