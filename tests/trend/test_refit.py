"""One series split with noise, slab and steps of its own."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from server.trend.decompose import Decomposition, decompose
from server.trend.refit import refit
from server.trend.series import Daily, DoorFacts
from tests.trend.records import record, stepped, without

DOOR = DoorFacts()
DAILY = stepped(record(800), 500, 0.6)


@cache
def fit() -> Decomposition:
    return refit(DAILY, DOOR)


def rate(answer: Decomposition) -> float:
    assert answer.rate is not None
    return answer.rate


def half_width(answer: Decomposition) -> float:
    assert answer.interval is not None
    return answer.interval.half_width


def test_an_unlogged_step_is_found_and_kept_out_of_the_rate() -> None:
    (step,) = fit().steps
    assert (step.day, step.declared) == (500, False)
    assert step.size == pytest.approx(0.6, abs=3 * step.standard_error)
    assert rate(fit()) == pytest.approx(0.05, abs=half_width(fit()))
    # A negative control: the form that seeks no steps takes it for growth.
    assert abs(rate(decompose(DAILY, replace(DOOR, widest=9.0))) - 0.05) > 2 * half_width(fit())


def test_noise_is_the_series_own() -> None:
    """The record has 0.02 mm of white noise and none that lags."""
    noise, loglik = fit().noise, fit().loglik
    assert noise is not None
    assert np.hypot(noise.white, noise.ar) == pytest.approx(0.021, abs=0.005)
    assert noise.ar < 0.02
    assert loglik is not None
    assert loglik > (decompose(DAILY, replace(DOOR, declared_steps=(500,))).loglik or 0.0) + 5


def test_parts_add_up_and_the_secular_part_grows_at_the_rate() -> None:
    fitted = np.asarray(sum(fit().parts.values()))
    assert (DAILY.value - fitted).std() < 0.025
    secular = fit().parts["secular"]
    assert (secular[-1] - secular[90]) / (799 - 90) * 365.25 == pytest.approx(rate(fit()), abs=1e-10)


def test_kept_is_what_it_was_fitted_with() -> None:
    kept = fit().kept
    assert kept is not None
    assert (kept.steps, kept.through, kept.unseen) == ((500,), 799, ())
    assert (kept.cell.tau_days, kept.cell.biot) == (fit().slab_days, fit().biot)
    assert kept.noise == fit().noise


def test_a_spike_beside_a_declared_step_spoils_neither() -> None:
    daily = stepped(record(800), 500, -0.8)
    spiked = replace(daily, value=daily.value + 1.0 * (daily.day == 499))
    answer = refit(spiked, DoorFacts(declared_steps=(500,)))
    assert np.flatnonzero(answer.outliers).tolist() == [499]
    (step,) = answer.steps
    assert step.declared
    assert step.size == pytest.approx(-0.8, abs=0.05)


def test_through_is_the_record_cut_there() -> None:
    wild = replace(DAILY, value=np.where(DAILY.day > 450, 50.0, DAILY.value))
    assert rate(refit(wild, DOOR, through=450)) == rate(refit(DAILY.up_to(450), DOOR))


def test_another_unit_gives_the_same_answer_in_that_unit() -> None:
    in_um = replace(DOOR, scale=1000.0, white=20.0, ar=30.0, widest=100.0)
    other = refit(replace(DAILY, value=1000.0 * DAILY.value), in_um)
    assert rate(other) == pytest.approx(1000 * rate(fit()), rel=1e-6)
    assert half_width(other) == pytest.approx(1000 * half_width(fit()), rel=1e-6)
    assert other.steps[0].size == pytest.approx(1000 * fit().steps[0].size, rel=1e-6)
    assert (other.slab_days, other.steps[0].day) == (fit().slab_days, 500)


def test_another_unit_without_its_scale_is_another_answer() -> None:
    """A negative control: the sizes of the page are for sag in mm."""
    other = refit(replace(DAILY, value=1000.0 * DAILY.value), replace(DOOR, widest=1e9))
    assert other.interval is not None
    assert abs(other.interval.half_width / half_width(fit()) / 1000 - 1) > 0.1


NOTHING = np.full(800, np.nan)
REFUSED = [
    ("all missing", replace(DAILY, value=NOTHING), "no_readings"),
    ("no air", replace(DAILY, rh_pct=NOTHING), "no_climate"),
    ("air stuck at 100 %", replace(DAILY, rh_pct=np.full(800, 100.0)), "no_climate"),
    ("air stuck at 55 %", replace(DAILY, rh_pct=np.full(800, 55.0)), "no_climate"),
    ("eleven months", DAILY.up_to(333), "first_year"),
    ("two months", DAILY.up_to(60), "first_year"),
    (
        "five months of readings in two years",
        replace(DAILY, value=without(DAILY.value, (150, 800))),
        "too_few_days",
    ),
]


@pytest.mark.parametrize(("daily", "reason"), [row[1:] for row in REFUSED], ids=[row[0] for row in REFUSED])
def test_too_little_to_know_gives_no_number(daily: Daily, reason: str) -> None:
    answer = refit(daily, DOOR)
    assert (answer.status, answer.reason) == ("refused", reason)
    assert (answer.rate, answer.rate_low, answer.rate_high) == (None, None, None)
    assert answer.needed is not None
    assert answer.came is not None
    assert answer.came < answer.needed
