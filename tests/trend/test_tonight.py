"""A night between two fits: one solve with what was kept."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from server.trend.answer import Decomposition, Kept
from server.trend.columns import grid_moisture_pct
from server.trend.refit import refit
from server.trend.series import Daily, DoorFacts
from server.trend.stays import what_stays
from server.trend.tonight import laid_out, tonight, with_more_steps
from tests.trend.records import record, stepped, without

DOOR = DoorFacts()
PLAIN = stepped(record(900), 300, 0.6)
DAILY = replace(PLAIN, value=PLAIN.value + 1.5 * (PLAIN.day == 350))


@cache
def first() -> Decomposition:
    return refit(DAILY, DOOR, through=730)


def first_kept() -> Kept:
    kept = first().kept
    assert kept is not None
    return kept


def kept_after(daily: Daily, door: DoorFacts, **changed: object) -> Decomposition:
    return tonight(replace(first_kept(), **changed), daily, door)  # type: ignore[arg-type]


def test_on_the_day_of_the_fit_it_says_the_same() -> None:
    same = tonight(first_kept(), DAILY, DOOR, through=730)
    assert same.rate == pytest.approx(first().rate, abs=1e-9)
    assert (same.rate_low, same.rate_high) == pytest.approx((first().rate_low, first().rate_high), abs=1e-9)
    assert np.array_equal(same.outliers, first().outliers)
    assert [step.day for step in same.steps] == [300]
    for name, part in first().parts.items():
        assert same.parts[name] == pytest.approx(part, abs=1e-8)


def test_days_since_then_count() -> None:
    later = kept_after(DAILY, DOOR)
    assert later.rate is not None
    assert later.interval is not None
    before = first().interval
    assert before is not None
    assert later.interval.half_width < before.half_width
    assert later.rate == pytest.approx(0.05, abs=later.interval.half_width)
    assert later.day[-1] == 899


def test_a_step_logged_since_and_one_found_since_are_columns() -> None:
    daily = stepped(stepped(DAILY, 800, -0.7), 850, 0.4)
    answer = kept_after(daily, DoorFacts(declared_steps=(800,)), steps=(300, 850))
    assert [(step.day, step.declared) for step in answer.steps] == [(800, True), (300, False), (850, False)]
    sizes = {step.day: step.size for step in answer.steps}
    assert sizes == pytest.approx({300: 0.6, 800: -0.7, 850: 0.4}, abs=0.1)


def test_what_stays_tonight_has_the_steps_in_it() -> None:
    stays = what_stays(kept_after(DAILY, DOOR), (90, 120))
    assert stays.value[-1] == pytest.approx(0.6 + 0.05 * (899 - 105) / 365.25, abs=0.1)
    assert stays.low[-1] < stays.value[-1] < stays.high[-1]


def test_means_are_those_kept() -> None:
    later = kept_after(DAILY, DOOR)
    assert later.kept is not None
    assert later.kept.means == first_kept().means
    assert later.kept.noise == first_kept().noise
    assert later.kept.cell == first_kept().cell


def test_climate_missing_since_is_filled_from_before() -> None:
    gap = replace(DAILY, temp_c=without(DAILY.temp_c, (780, 785)), rh_pct=without(DAILY.rh_pct, (780, 785)))
    hot = replace(gap, temp_c=gap.temp_c + 15.0 * (gap.day >= 785))
    filled = []
    for daily in (gap, hot):
        laid = laid_out(first_kept(), daily, DOOR)
        assert not isinstance(laid, Decomposition)
        filled.append(laid.columns.values[780:785])
    assert filled[0] == pytest.approx(filled[1], abs=1e-12)


def test_more_steps_are_added_once() -> None:
    laid = laid_out(first_kept(), DAILY, DOOR)
    assert not isinstance(laid, Decomposition)
    assert with_more_steps(laid, (300,)) is laid
    more = with_more_steps(laid, (300, 400))
    assert more.columns.step_days == (300, 400)


def test_refuses_as_a_fit_does() -> None:
    answer = kept_after(replace(DAILY, value=np.full(900, np.nan)), DOOR)
    assert (answer.status, answer.reason) == ("refused", "no_readings")


def test_a_slab_reckoned_once_for_all_series_lays_out_the_same() -> None:
    alone = laid_out(first_kept(), DAILY, DOOR)
    assert not isinstance(alone, Decomposition)
    shared = laid_out(first_kept(), DAILY, DOOR, grid_pct=grid_moisture_pct(alone.ready.climate))
    assert not isinstance(shared, Decomposition)
    assert shared.columns.names == alone.columns.names
    assert shared.columns.values == pytest.approx(alone.columns.values, abs=1e-12)
