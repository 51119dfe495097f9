"""Steps that nobody declared: found where they are, and not where they are not."""

from dataclasses import replace

import numpy as np
import pytest

from server.trend.climate import whole_climate
from server.trend.columns import USUAL_CELL, Columns, made_columns, nearest_cell, with_steps
from server.trend.likelihood import Model, Noise, solved
from server.trend.series import Daily
from server.trend.steps import Bar, agile, found_steps, pruned
from tests.trend.records import opening, record, stepped, without

PLAIN = record(800)


def columns(daily: Daily, *known: int) -> Columns:
    climate = whole_climate(daily.day, daily.temp_c, daily.rh_pct)
    assert climate is not None
    return made_columns(daily.day, climate, nearest_cell(USUAL_CELL), known)


def found(daily: Daily, *known: int, bar: Bar | None = None) -> tuple[int, ...]:
    made = found_steps(daily.value, columns(daily, *known), daily.day, Noise(), bar or Bar())
    return made.step_days


FOUND = [
    ("none", PLAIN, ()),
    ("up", stepped(PLAIN, 400, 0.5), (400,)),
    ("down", stepped(PLAIN, 400, -0.3), (400,)),
    ("two, the surest first", stepped(stepped(PLAIN, 200, 0.3), 600, 0.9), (600, 200)),
    ("too small", stepped(PLAIN, 400, 0.06), ()),
    ("a joint that opens", opening(PLAIN, 500), ()),
]


@pytest.mark.parametrize(("daily", "steps"), [row[1:] for row in FOUND], ids=[row[0] for row in FOUND])
def test_finds(daily: Daily, steps: tuple[int, ...]) -> None:
    assert found(daily) == steps


@pytest.mark.parametrize("day", [15, 797])
def test_the_first_and_the_last_days_hold_too_little_to_tell(day: int) -> None:
    assert all(20 < step < 796 for step in found(stepped(PLAIN, day, 0.8)))


def test_a_step_within_an_outage_is_found_on_the_first_day_after() -> None:
    daily = stepped(PLAIN, 410, 0.5)
    assert found(replace(daily, value=without(daily.value, (405, 420)))) == (420,)


def test_a_known_step_is_not_found_again() -> None:
    assert found(stepped(PLAIN, 400, 0.5), 400) == (400,)


def test_a_late_bar_looks_at_late_days_alone() -> None:
    daily = stepped(stepped(PLAIN, 200, 0.5), 700, 0.5)
    assert found(daily, bar=Bar(from_place=600)) == (700,)
    assert found(daily, bar=Bar(most=1)) in {(200,), (700,)}


def test_days_count_from_hanging() -> None:
    late = stepped(record(800, first=1000), 1400, 0.5)
    assert found(late) == (1400,)


def test_steps_that_do_not_hold_are_let_go_and_declared_ones_stay() -> None:
    daily = stepped(PLAIN, 400, 0.5)
    many = with_steps(columns(daily, 300), daily.day, (400, 500, 600))
    kept = pruned(daily.value, many, Noise(), declared=(300,))
    assert kept.step_days == (300, 400)
    assert pruned(daily.value, many, Noise(), declared=()).step_days == (400,)


def test_agile_noise_follows_an_onset_and_changes_nothing_else() -> None:
    stiff = Noise(slope_per_year_per_sqrt_year=0.01)
    assert agile(stiff) == replace(stiff, slope_per_year_per_sqrt_year=0.5)
    assert agile(Noise(slope_per_year_per_sqrt_year=0.9)).slope_per_year_per_sqrt_year == 0.9


def test_the_surest_day_is_the_most_likely_one() -> None:
    """Beside an exact refit with each day's step in turn."""
    rng = np.random.default_rng(4)
    daily = stepped(replace(PLAIN, value=PLAIN.value + rng.normal(0, 0.02, 800)), 400, 0.3)
    (day,) = found(daily, bar=Bar(most=1))
    model = Model(noise=agile(Noise()))
    likely = {}
    for other in range(390, 411):
        made = columns(daily, other)
        likely[other] = solved(daily.value, made.values, made.prior_sd, model).loglik
    assert day == max(likely, key=lambda each: likely[each])


def test_a_step_is_as_sure_as_its_size_is_in_standard_errors() -> None:
    """Beside the coefficient of its column, whose prior is too wide to weigh."""
    daily = stepped(PLAIN, 400, 0.3)
    made = columns(daily, 400)
    fit = solved(daily.value, made.values, made.prior_sd, Model(noise=agile(Noise())))
    t = fit.coefficients[-1] / np.sqrt(fit.covariance[-1, -1])
    assert found(daily, bar=Bar(t=0.99 * t, most=1)) == (400,)
    assert found(daily, bar=Bar(t=1.01 * t, most=1)) == ()
    assert found(daily, bar=Bar(size=0.98 * fit.coefficients[-1], most=1)) == (400,)
    assert found(daily, bar=Bar(size=1.02 * fit.coefficients[-1], most=1)) == ()
