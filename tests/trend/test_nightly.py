"""A night: the same as a fit of all days, for one door and for many at once."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from server.trend.answer import Decomposition, Posterior, posterior
from server.trend.contrasts import last_day
from server.trend.likelihood import Noise
from server.trend.nightly import expected, joined, nightly, predicted, sizes_of, updated
from server.trend.refit import refit
from server.trend.series import DoorFacts
from server.trend.tonight import Laid, laid_out, solved_rows
from tests.trend.records import record, stepped, without

FITTED_DAYS, DAYS = 400, 765
DOOR = DoorFacts(declared_steps=(600,))
PLAIN = stepped(stepped(record(DAYS), 200, 0.5), 600, -0.4)
DAILY = replace(
    PLAIN,
    value=without(PLAIN.value, (450, 460), (700, 701)),
    temp_c=without(PLAIN.temp_c, (500, 520), (550, 552)),
    rh_pct=without(PLAIN.rh_pct, (500, 520), (650, 651)),
)


@cache
def laid() -> Laid:
    """A record with outages, a climate gap and a declared step, all after the fit."""
    kept = refit(DAILY, DOOR, through=FITTED_DAYS - 1).kept
    assert kept is not None
    assert kept.steps == (200,)
    made = laid_out(kept, DAILY, DOOR)
    assert not isinstance(made, Decomposition)
    return made


def batch(record: Laid, days: int) -> Posterior:
    fit = solved_rows(record, record.kept.noise, days)
    return posterior(fit, last_day(fit.solved))


def test_365_nights_equal_a_fit_of_all_days() -> None:
    now = batch(laid(), FITTED_DAYS)
    for place in range(FITTED_DAYS, DAYS):
        now, _ = nightly(now, laid().columns.values[place], float(laid().value[place]), laid().kept.noise)
    whole = batch(laid(), DAYS)
    assert {"gap@520", "step@600", "step@200"} <= set(now.columns)
    assert np.isnan(laid().value[FITTED_DAYS:]).sum() == 10 + 1 + 13
    assert now.mean == pytest.approx(whole.mean, abs=1e-8)
    assert now.covariance == pytest.approx(whole.covariance, abs=1e-8)


def test_a_column_that_joins_late_is_as_if_it_had_been_there() -> None:
    until = 599
    early = laid_out(laid().kept, DAILY, DOOR, through=until)
    assert not isinstance(early, Decomposition)
    assert "step@600" not in early.columns.names
    late = joined(batch(early, until + 1), laid().columns)
    there = batch(laid(), until + 1)
    assert late.columns == there.columns
    assert late.mean == pytest.approx(there.mean, abs=1e-8)
    assert late.covariance == pytest.approx(there.covariance, abs=1e-8)


def test_a_day_not_read_is_expected_and_no_more() -> None:
    now = batch(laid(), FITTED_DAYS)
    x = laid().columns.values[FITTED_DAYS]
    after, off = nightly(now, x, float("nan"), laid().kept.noise)
    mean, covariance = predicted(now.mean, now.covariance, sizes_of(laid().kept.noise))
    assert np.isnan(off.value)
    assert np.array_equal(after.mean, mean)
    assert np.array_equal(after.covariance, covariance)


def test_innovations_are_as_large_as_they_say() -> None:
    now, told = batch(laid(), FITTED_DAYS), []
    for place in range(FITTED_DAYS, DAYS):
        now, off = nightly(now, laid().columns.values[place], float(laid().value[place]), laid().kept.noise)
        if np.isfinite(off.value) and place != 600:
            told.append(off.value / off.sd)
    assert np.std(told) == pytest.approx(1.0, abs=0.15)


def test_many_doors_at_once_are_each_as_alone() -> None:
    noises = [laid().kept.noise, Noise(), Noise(white=0.05, ar_days=2.0)]
    now = batch(laid(), FITTED_DAYS)
    x, y = laid().columns.values[FITTED_DAYS], np.array([4.0, 4.1, 4.2])
    sizes = sizes_of(*noises)
    mean, covariance = predicted(np.tile(now.mean, (3, 1)), np.tile(now.covariance, (3, 1, 1)), sizes)
    mean, covariance = updated(mean, covariance, np.tile(x, (3, 1)), y, sizes)
    for place, noise in enumerate(noises):
        alone, _ = nightly(now, x, float(y[place]), noise)
        assert mean[place] == pytest.approx(alone.mean, abs=1e-12)
        assert covariance[place] == pytest.approx(alone.covariance, abs=1e-12)


def test_expected_is_what_a_day_adds_up_to() -> None:
    now = batch(laid(), FITTED_DAYS)
    x = np.zeros(len(now.columns))
    off = expected(now.mean, now.covariance, x, 0.0, sizes_of(Noise(white=0.0)))
    assert off.value == pytest.approx(-(now.mean[0] + now.mean[2]))
    both = now.covariance[np.ix_([0, 2], [0, 2])].sum()
    assert off.sd == pytest.approx(np.sqrt(both))
