"""A record with holes in it, against the recursion done by hand step by step."""

import numpy as np
import pytest

from server.errors import OutOfRangeError
from server.timber.exact import Slab, dtheta, mean_pct, mode_roots, run, start, step
from server.timber.follow import follow
from tests.refusals import refuses

SLAB = Slab(half_thickness_mm=20.0, biot=2.0)
RNG = np.random.default_rng(7)
AIR, TEMP = RNG.uniform(8, 16, 400), RNG.uniform(-5, 30, 400)


def without(*spans: slice) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    air = AIR.copy()
    for span in spans:
        air[span] = np.nan
    return air


def test_whole_record_from_a_meter_s_reading_is_the_recursion() -> None:
    followed = follow(SLAB, AIR, TEMP, start_pct=12.0)
    assert followed.mean_pct == pytest.approx(run(SLAB, 12.0, AIR, TEMP), abs=1e-12)
    assert not followed.bridged.any()
    assert not followed.restart.any()


def test_without_a_meter_it_starts_at_the_first_thirty_days_air() -> None:
    assert follow(SLAB, AIR, TEMP).mean_pct == pytest.approx(run(SLAB, AIR[:30].mean(), AIR, TEMP), abs=1e-12)


def test_starts_on_the_first_day_with_air() -> None:
    followed = follow(SLAB, without(slice(0, 40)), TEMP)
    assert np.isnan(followed.mean_pct[:40]).all()
    assert followed.mean_pct[40:] == pytest.approx(
        run(SLAB, AIR[40:70].mean(), AIR[40:], TEMP[40:]), abs=1e-12
    )
    assert not followed.bridged.any()
    assert not followed.restart.any()


@pytest.mark.parametrize("gap", [1, 12, 30])
def test_gap_is_bridged_with_the_last_air_in_one_step(gap: int) -> None:
    followed = follow(SLAB, without(slice(50, 50 + gap)), TEMP, start_pct=12.0)
    state = start(SLAB, 12.0)
    for day in range(50):
        state = step(SLAB, state, air_pct=AIR[day], temp_c=TEMP[day])
    state = step(SLAB, state, air_pct=AIR[49], temp_c=TEMP[49], days=float(gap))
    state = step(SLAB, state, air_pct=AIR[50 + gap], temp_c=TEMP[50 + gap])
    assert np.isnan(followed.mean_pct[50 : 50 + gap]).all()
    assert followed.mean_pct[50 + gap] == pytest.approx(mean_pct(SLAB, state), abs=1e-12)
    assert np.flatnonzero(followed.bridged).tolist() == [50 + gap]
    assert not followed.restart.any()


def test_longer_silence_starts_anew() -> None:
    followed = follow(SLAB, without(slice(50, 81)), TEMP, start_pct=12.0)
    assert np.flatnonzero(followed.restart).tolist() == [81]
    assert not followed.bridged.any()
    again = run(SLAB, AIR[81:111].mean(), AIR[81:], TEMP[81:])
    assert followed.mean_pct[81:] == pytest.approx(again, abs=1e-12)


def test_silence_after_the_very_first_day_starts_anew() -> None:
    followed = follow(SLAB, without(slice(1, 40)), TEMP, start_pct=12.0)
    assert np.flatnonzero(followed.restart).tolist() == [40]
    again = run(SLAB, AIR[40:70].mean(), AIR[40:], TEMP[40:])
    assert followed.mean_pct[40:] == pytest.approx(again, abs=1e-12)


def test_missing_temperature_is_a_missing_day() -> None:
    temp = TEMP.copy()
    temp[60] = np.nan
    followed = follow(SLAB, AIR, temp, start_pct=12.0)
    assert np.flatnonzero(np.isnan(followed.mean_pct)).tolist() == [60]


def test_settling_until_five_per_cent_of_the_start_is_left() -> None:
    followed = follow(SLAB, without(slice(50, 55)), TEMP, start_pct=12.0)
    temp = TEMP.copy()
    temp[50:55] = TEMP[49]
    theta = np.cumsum(dtheta(SLAB, temp))
    slowest = mode_roots(2.0, 1)[0] ** 2
    seen = np.isfinite(followed.mean_pct)
    assert followed.start_left[seen] == pytest.approx(np.exp(-slowest * theta[seen]), rel=1e-9)
    assert (followed.settling[seen] == (theta[seen] <= 3 / slowest)).all()
    assert followed.settling[0]
    assert not followed.settling[-1]


def test_the_start_does_not_matter_once_settled() -> None:
    """5 % of the start left: half a per cent apart after 10 % apart."""
    dry, damp = (follow(SLAB, AIR, TEMP, start_pct=pct) for pct in (7.0, 17.0))
    first = int(np.flatnonzero(~dry.settling)[0])
    apart = (damp.mean_pct - dry.mean_pct)[first]
    assert 0.3 < apart < 10 * 0.05


def test_days_of_unlike_length() -> None:
    lengths = RNG.uniform(0.5, 3.0, 400)
    followed = follow(SLAB, AIR, TEMP, days=lengths, start_pct=12.0)
    assert followed.mean_pct == pytest.approx(run(SLAB, 12.0, AIR, TEMP, lengths), abs=1e-12)


def test_no_air_at_all_gives_nothing() -> None:
    followed = follow(SLAB, np.full(5, np.nan), TEMP[:5])
    assert np.isnan(followed.mean_pct).all()
    assert not followed.settling.any()


def test_refuses_a_step_without_length() -> None:
    with refuses(OutOfRangeError, asked="series of a leaf", needed="above 0 days", came="0"):
        follow(SLAB, AIR, TEMP, days=0.0)
