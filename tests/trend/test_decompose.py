"""One series split: what it gives, what it refuses, and what must not change it."""

from dataclasses import replace

import numpy as np
import pytest

from server.trend.decompose import Decomposition, decompose
from server.trend.series import Daily, DoorFacts, for_turn
from tests.trend.records import record, without

DOOR = DoorFacts()
THREE_YEARS = record(1096)


def rate(answer: Decomposition) -> float:
    assert answer.rate is not None
    return answer.rate


def half_width(answer: Decomposition) -> float:
    assert answer.interval is not None
    return answer.interval.half_width


def fitted(answer: Decomposition) -> np.ndarray:
    return np.asarray(sum(answer.parts.values()))


def test_season_leaves_the_rate_alone() -> None:
    answer = decompose(THREE_YEARS, DOOR)
    assert answer.status == "served"
    assert rate(answer) == pytest.approx(0.05, abs=half_width(answer) / 2)
    assert (answer.rate_low, answer.rate_high) == pytest.approx(
        (rate(answer) - half_width(answer), rate(answer) + half_width(answer))
    )


def test_a_straight_line_would_not_do() -> None:
    """A negative control: 21 months of season tilt a line to the wrong sign, and not the rate."""
    daily = record(640)
    assert np.polyfit(daily.day / 365.25, daily.value, 1)[0] < -0.03
    assert rate(decompose(daily, DOOR)) == pytest.approx(0.05, abs=0.02)


@pytest.mark.parametrize("true_rate", [-0.1, 0.0, 0.2])
def test_a_known_growth_is_found(true_rate: float) -> None:
    answer = decompose(record(1096, rate=true_rate), DOOR)
    assert rate(answer) == pytest.approx(true_rate, abs=half_width(answer))


def test_parts_add_up_to_the_series_less_white_noise() -> None:
    answer = decompose(THREE_YEARS, DOOR)
    assert set(answer.parts) == {
        "secular", "wander", "steps", "moisture", "temperature", "transient", "noise"
    }  # fmt: skip
    left = THREE_YEARS.value - fitted(answer)
    assert np.abs(left.mean()) < 1e-3
    assert left.std() < 0.025


def test_secular_part_grows_at_the_rate() -> None:
    answer = decompose(THREE_YEARS, DOOR)
    secular = answer.parts["secular"]
    assert (secular[-1] - secular[90]) / (1095 - 90) * 365.25 == pytest.approx(rate(answer), abs=1e-10)


def test_error_of_the_secular_part_grows_away_from_the_settled_day() -> None:
    answer = decompose(THREE_YEARS, DOOR)
    assert answer.secular_se is not None
    assert answer.secular_se_day is not None
    assert answer.secular_se[answer.secular_se_day == 90] == pytest.approx(0.0, abs=1e-12)
    assert answer.secular_se[-1] > answer.secular_se[5] > 0


def test_gaps_stay_gaps() -> None:
    """What nobody measured weighs nothing: any value, or none, on a masked day gives the same answer."""
    daily = replace(
        THREE_YEARS,
        temp_c=without(THREE_YEARS.temp_c, (500, 530)),
        rh_pct=without(THREE_YEARS.rh_pct, (500, 530)),
    )
    answer = decompose(daily, DOOR)
    missing = decompose(replace(daily, value=without(daily.value, (507, 530))), DOOR)
    assert answer.observed_days == 1096 - 23
    assert rate(answer) == rate(missing)
    wild = replace(daily, value=np.where((daily.day >= 507) & (daily.day < 530), 99.0, daily.value))
    assert rate(decompose(wild, DOOR)) == rate(answer)


def test_an_outage_widens_the_interval_and_keeps_the_parts() -> None:
    answer = decompose(replace(THREE_YEARS, value=without(THREE_YEARS.value, (300, 700))), DOOR)
    assert half_width(answer) > half_width(decompose(THREE_YEARS, DOOR))
    assert np.isfinite(fitted(answer)).all()


def test_a_spike_is_put_aside() -> None:
    spiked = replace(THREE_YEARS, value=THREE_YEARS.value + 2.0 * (THREE_YEARS.day == 1000))
    answer = decompose(spiked, DOOR)
    assert np.flatnonzero(answer.outliers).tolist() == [1000]
    missing = decompose(replace(THREE_YEARS, value=without(THREE_YEARS.value, (1000, 1001))), DOOR)
    assert rate(answer) == pytest.approx(rate(missing), abs=1e-12)


def test_a_declared_step_is_sized_and_kept_out_of_the_rate() -> None:
    adjusted = replace(THREE_YEARS, value=THREE_YEARS.value - 0.8 * (THREE_YEARS.day >= 600))
    answer = decompose(adjusted, DoorFacts(declared_steps=(600,)))
    (step,) = answer.steps
    assert (step.day, step.declared) == (600, True)
    assert step.size == pytest.approx(-0.8, abs=3 * step.standard_error)
    assert step.standard_error < 0.05
    assert rate(answer) == pytest.approx(0.05, abs=half_width(answer))


def test_steps_that_are_yet_to_come_or_came_before_are_no_columns() -> None:
    assert decompose(THREE_YEARS, DoorFacts(declared_steps=(0, 5000))).steps == ()


def test_declared_drift_enters_the_interval_and_never_the_rate() -> None:
    without_drift, with_drift = (decompose(THREE_YEARS, DoorFacts(drift_per_year=d)) for d in (0.0, 0.02))
    assert rate(with_drift) == rate(without_drift)
    expected = np.hypot(half_width(without_drift), 1.96 * 0.02)
    assert half_width(with_drift) == pytest.approx(expected)


def test_origin_of_the_gauge_changes_nothing() -> None:
    plain = decompose(THREE_YEARS, DOOR)
    shifted = decompose(replace(THREE_YEARS, value=THREE_YEARS.value + 250.0), DOOR)
    assert rate(shifted) == pytest.approx(rate(plain), abs=1e-9)
    assert half_width(shifted) == pytest.approx(half_width(plain), abs=1e-12)
    assert shifted.parts["secular"] == pytest.approx(plain.parts["secular"] + 250.0, abs=1e-7)


def test_another_unit_gives_the_same_answer_in_that_unit() -> None:
    """Micrometres, with all that is declared in micrometres too."""
    door = DoorFacts(declared_steps=(600,), drift_per_year=0.01)
    in_um = replace(door, scale=1000.0, white=20.0, ar=30.0, widest=100.0, drift_per_year=10.0)
    plain, other = decompose(THREE_YEARS, door), decompose(um(THREE_YEARS), in_um)
    assert rate(other) == pytest.approx(1000 * rate(plain), abs=1e-6)
    assert half_width(other) == pytest.approx(1000 * half_width(plain))
    assert other.steps[0].size == pytest.approx(1000 * plain.steps[0].size, abs=1e-6)
    for name, part in plain.parts.items():
        assert other.parts[name] == pytest.approx(1000 * part, abs=1e-5)
    assert other.slope_now == pytest.approx(1000 * (plain.slope_now or 0.0), abs=1e-6)


def um(daily: Daily) -> Daily:
    return replace(daily, value=1000.0 * daily.value)


def test_whole_years_later_in_a_door_s_life_the_season_is_the_same() -> None:
    """Day counts from hanging, so creep and settling differ; 1461 days are four years to the day."""
    early = record(1096, first=100)
    late = replace(early, day=early.day + 1461)
    first, second = decompose(early, DOOR), decompose(late, DOOR)
    assert rate(second) == pytest.approx(rate(first), abs=0.2 * half_width(first))


def test_through_is_the_record_cut_there() -> None:
    cut = THREE_YEARS.up_to(800)
    assert rate(decompose(THREE_YEARS, DOOR, through=800)) == rate(decompose(cut, DOOR))


def test_what_lies_behind_is_all_that_counts() -> None:
    """Values and climate after `through` may be anything."""
    later = THREE_YEARS.day > 800
    wild = replace(
        THREE_YEARS,
        value=np.where(later, 50.0, THREE_YEARS.value),
        temp_c=np.where(later, np.nan, THREE_YEARS.temp_c),
    )
    assert rate(decompose(wild, DOOR, through=800)) == rate(decompose(THREE_YEARS, DOOR, through=800))


NOTHING = np.full(1096, np.nan)
SPARSE = without(THREE_YEARS.value, *((d + 1, d + 12) for d in range(0, 1090, 12)))
# In the order in which they are asked: each record would be refused for the later reasons too, where it can.
REFUSED = [
    ("no_readings", 180, 0, replace(THREE_YEARS, value=NOTHING, rh_pct=NOTHING), DOOR),
    ("no_climate", 365, 0, replace(THREE_YEARS, value=SPARSE, rh_pct=NOTHING), DOOR),
    ("first_year", 365, 364, record(365), replace(DOOR, widest=1e-6)),
    ("too_few_days", 180, 95, replace(THREE_YEARS, value=SPARSE), replace(DOOR, widest=1e-6)),
]


@pytest.mark.parametrize(("reason", "needed", "came", "daily", "door"), REFUSED)
def test_refuses(reason: str, needed: float, came: float, daily: Daily, door: DoorFacts) -> None:
    answer = decompose(daily, door)
    assert (answer.status, answer.reason, answer.needed, answer.came) == ("refused", reason, needed, came)
    assert (answer.rate, answer.rate_low, answer.rate_high) == (None, None, None)


def test_refuses_a_wide_interval_and_says_how_wide() -> None:
    answer = decompose(THREE_YEARS, DoorFacts(drift_per_year=0.1))
    assert (answer.status, answer.reason, answer.needed) == ("refused", "wide", 0.10)
    assert answer.came == half_width(answer) > 0.10
    assert answer.parts


def test_refuses_what_the_season_hides_before_it_asks_how_wide() -> None:
    """A room that only dries, for three years: drying and growth are one and the same line."""
    drying = replace(THREE_YEARS, temp_c=np.full(1096, 20.0), rh_pct=np.linspace(85.0, 35.0, 1096))
    answer = decompose(drying, DOOR)
    assert (answer.status, answer.reason, answer.needed) == ("refused", "season", 4.0)
    assert answer.came == answer.collinearity
    assert half_width(answer) > DOOR.widest


@pytest.mark.parametrize(
    ("days", "status", "reason"),
    [(365, "refused", "first_year"), (366, "provisional", "second_year"), (730, "provisional", "second_year"),
     (731, "served", None)],
)  # fmt: skip
def test_ages(days: int, status: str, reason: str | None) -> None:
    answer = decompose(record(days), replace(DOOR, widest=1.0))
    assert (answer.status, answer.reason) == (status, reason)


@pytest.mark.parametrize(("days", "is_fitted"), [(119, False), (120, True)])
def test_nothing_is_fitted_under_120_days(days: int, is_fitted: bool) -> None:
    answer = decompose(record(days), DOOR)
    assert bool(answer.parts) is is_fitted
    assert (answer.fit is not None) is is_fitted


@pytest.mark.parametrize(("observed", "is_fitted"), [(59, False), (60, True)])
def test_nothing_is_fitted_under_60_observed(observed: int, is_fitted: bool) -> None:
    daily = record(500)
    answer = decompose(replace(daily, value=without(daily.value, (observed, 500))), DOOR)
    assert (answer.reason, answer.came) == ("too_few_days", observed)
    assert bool(answer.parts) is is_fitted


def test_ages_count_from_the_first_day_handed_in() -> None:
    assert decompose(record(365, first=2000), DOOR).reason == "first_year"


@pytest.mark.parametrize(("first", "settled"), [(0, 90), (40, 130), (90, 180), (91, 91), (2000, 2000)])
def test_settled_day(first: int, settled: int) -> None:
    answer = decompose(record(500, first=first), DOOR)
    assert answer.fit is not None
    assert answer.day[answer.fit.settled] == settled


def test_posterior_of_the_last_day_gives_the_fitted_value() -> None:
    answer = decompose(THREE_YEARS, DOOR)
    assert answer.posterior is not None
    assert answer.fit is not None
    level, slope, ar = answer.posterior.mean[:3]
    today = level + ar + answer.fit.columns.values[-1] @ answer.posterior.mean[3:]
    assert today == pytest.approx(fitted(answer)[-1], abs=1e-9)
    assert slope == pytest.approx(answer.slope_now, abs=1e-12)
    assert answer.posterior.columns == answer.fit.columns.names


def test_noise_is_told_in_the_gauge_s_own_unit() -> None:
    noise = decompose(THREE_YEARS, for_turn(170.0)).noise
    assert noise is not None
    sizes = (noise.white, noise.ar, noise.level_per_sqrt_year, noise.slope_per_year_per_sqrt_year)
    assert sizes == pytest.approx((0.02, 0.02, 0.4 * 0.03, 0.4 * 0.03))


def test_moisture_is_told_uncentred() -> None:
    answer = decompose(THREE_YEARS, DOOR)
    assert answer.moisture_pct is not None
    assert answer.kept is not None
    assert 8 < answer.moisture_pct.min() < answer.moisture_pct.max() < 20
    assert answer.kept.means.moisture_pct == pytest.approx(answer.moisture_pct.mean())
