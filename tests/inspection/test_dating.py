"""The alarm, the steps nobody logged and the date of a limit, as a look gives them."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from server.doors.register import DoorHung
from server.inspection.look import watched_look
from server.inspection.trending import Asked
from server.inspection.values import DoorInputs, GaugeDays, SeriesLook
from tests.inspection.doors import HUNG_DAY, Truth, made_inputs, one_gauge

YEAR = 365.25
SINCE = 500


def droop(
    years: float, *, jump_mm: float = 0.0, rate: float = 0.5, limit: float = 1.5, seed: int = 3
) -> DoorInputs:
    door = one_gauge()
    built = replace(door.built, limits=replace(door.built.limits, gauge_mm=limit))
    inputs = made_inputs(Truth(years=years, seed=seed), replace(door, built=built))
    grown = rate * (np.maximum(inputs.day - SINCE, 0) / YEAR) ** 1.4
    days = inputs.gauges["droop"]
    median = days.median + grown + jump_mm * (inputs.day >= 450)
    return replace(inputs, gauges={"droop": GaugeDays(median=median, n=days.n)})


def said(inputs: DoorInputs, asked: Asked | None = None) -> SeriesLook:
    (one,) = watched_look(inputs, {}, asked=asked or Asked()).inspection.series
    return one


@cache
def opens() -> DoorInputs:
    return droop(2.2)


@cache
def look() -> SeriesLook:
    return said(opens())


def test_a_date_that_holds_the_day_of_the_limit() -> None:
    date = look().facts["forecast"]
    assert isinstance(date, dict)
    # what stays is 0.5 (years since)^1.4: at 1.5 after 3^(1/1.4) years
    reached = HUNG_DAY + SINCE + YEAR * 3 ** (1 / 1.4)
    assert HUNG_DAY + opens().day[-1] <= date["earliest"] <= reached
    assert date["latest"] is None or reached <= date["latest"]


def test_the_alarm_and_its_day() -> None:
    raised = look().facts["alarm_day"]
    assert isinstance(raised, int)
    assert look().facts["alarm"] is True
    assert HUNG_DAY + SINCE < raised <= HUNG_DAY + opens().day[-1]


def test_it_is_drawn_alike_each_time_and_otherwise_for_another_door() -> None:
    assert said(opens()).facts["forecast"] == look().facts["forecast"]
    door: DoorHung = replace(opens().door, ref="saltmarsh-yard/west")
    assert said(replace(opens(), door=door)).facts["forecast"] != look().facts["forecast"]


def test_no_alarm_no_date() -> None:
    quiet = said(droop(1.4))
    assert (quiet.facts["alarm"], quiet.facts["alarm_day"], quiet.facts["forecast"]) == (False, None, None)


def test_a_date_that_is_not_asked_for_is_not_there() -> None:
    assert "forecast" not in said(opens(), Asked(dated=False)).facts


def test_steps_leave_less_of_the_limit() -> None:
    """A step of 1.2 mm on day 450 leaves 0.3 mm of 1.5: reached so much sooner."""
    jumped = said(droop(2.2, jump_mm=1.2))
    steps = jumped.facts["found_steps"]
    assert isinstance(steps, list)
    ((day, size, error),) = steps
    assert day == HUNG_DAY + 450
    assert abs(size - 1.2) < 4 * error < 0.2
    date, plain = jumped.facts["forecast"], look().facts["forecast"]
    assert isinstance(date, dict)
    assert isinstance(plain, dict)
    assert date["latest"] is not None
    assert date["latest"] < HUNG_DAY + SINCE + YEAR * 3 ** (1 / 1.4)


@pytest.mark.parametrize("limit", [0.4])
def test_a_limit_that_is_passed_is_dated_today(limit: float) -> None:
    passed = said(droop(2.2, jump_mm=1.2, limit=limit))
    today = HUNG_DAY + int(opens().day[-1])
    assert passed.facts["forecast"] == {"earliest": today, "latest": today}
