"""The watch: what raises an alarm, what does not, and that nothing later changes it."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from server.trend.decompose import Decomposition
from server.trend.series import Daily, DoorFacts
from server.trend.tonight import laid_out
from server.trend.watch import Alarm, Watched, carried, nights, refit_ages, watch
from tests.trend.records import opening, record, stepped, without

DOOR = DoorFacts()
PLAIN = record(700, rate=0.0)
OPENS = opening(record(725, rate=0.0), 400, a_year=0.6)


@cache
def alarms() -> list[Alarm]:
    return watch(OPENS, DOOR)


def last(daily: Daily) -> Watched:
    *_, (watched, _) = nights(daily, DOOR)
    return watched


def test_a_joint_that_opens_raises_one_alarm_in_time() -> None:
    (alarm,) = alarms()
    moved = 0.6 * ((alarm.day - 400) / 365.25) ** 1.5
    assert alarm.day > 450
    assert moved < 0.3
    assert alarm.z == pytest.approx((alarm.slope - 0.02) / alarm.se)
    assert alarm.z > 2.9


def raised(daily: Daily, *days: int, size: float = 2.0) -> Daily:
    return replace(daily, value=daily.value + size * np.isin(daily.day, days))


QUIET = [
    ("season", PLAIN),
    ("a knock of 1 mm between fits", stepped(PLAIN, 500, 1.0)),
    ("two knocks, each too small to be held", stepped(stepped(PLAIN, 480, 0.07), 500, 0.07)),
    ("a knock of 0.3 mm the other way", stepped(PLAIN, 500, -0.3)),
    (
        "a door ajar for three days",
        replace(PLAIN, value=PLAIN.value + 2.0 * np.isin(PLAIN.day, (500, 501, 502))),
    ),
    ("three weeks of no readings", replace(PLAIN, value=without(PLAIN.value, (500, 521)))),
]


@pytest.mark.parametrize("daily", [row[1] for row in QUIET], ids=[row[0] for row in QUIET])
def test_raises_no_alarm(daily: Daily) -> None:
    assert watch(daily, DOOR) == []


def test_four_held_days_make_a_step() -> None:
    watched = last(stepped(PLAIN, 500, 1.0))
    assert (watched.rebased, watched.held, watched.let_go) == ((500,), (), ())
    assert watched.posterior.mean[0] == pytest.approx(last(PLAIN).posterior.mean[0] + 1.0, abs=0.1)


def test_three_held_days_are_let_go_and_stay_unseen() -> None:
    ajar = last(raised(PLAIN, 500, 501, 502))
    assert (ajar.rebased, ajar.held, ajar.let_go) == ((), (), (500, 501, 502))
    missing = last(replace(PLAIN, value=without(PLAIN.value, (500, 503))))
    assert ajar.posterior.mean == pytest.approx(missing.posterior.mean, abs=1e-12)


def test_a_day_of_the_other_sign_opens_a_new_list() -> None:
    daily = replace(
        PLAIN, value=PLAIN.value + 2.0 * np.isin(PLAIN.day, (697, 698)) - 2.0 * (PLAIN.day == 699)
    )
    watched = last(daily)
    assert [(held.place, held.sign) for held in watched.held] == [(699, -1)]
    assert watched.let_go == (697, 698)


def test_held_days_fall_out_after_thirty() -> None:
    spiked = PLAIN.value + 2.0 * (PLAIN.day == 600)
    watched = last(replace(PLAIN, value=without(spiked, (601, 632))).up_to(631))
    assert (watched.held, watched.let_go) == ((), (600,))


def test_what_is_carried_to_tonight() -> None:
    daily = stepped(raised(PLAIN, 600, 699), 500, 1.0)
    watched = last(daily)
    laid = laid_out(watched.kept, daily, DOOR)
    assert not isinstance(laid, Decomposition)
    kept = carried(watched, int(laid.day[0]))
    assert 500 in kept.steps
    assert {600, 699} <= set(kept.unseen)


def test_a_step_found_by_night_stays_a_column_unless_the_fit_finds_it() -> None:
    daily = stepped(record(760, rate=0.0), 500, 1.0)
    watched = last(daily)
    assert watched.kept.steps == (500,)
    assert (watched.online, watched.rebased) == ((), ())


FITS = (365, 730, 1096, 1826, 2557, 3652, 4748)


@pytest.mark.parametrize(("last_age", "ages"), [(364, 0), (365, 1), (3651, 5), (5000, 7)])
def test_ages_of_fits(last_age: int, ages: int) -> None:
    assert refit_ages(last_age) == list(FITS[:ages])


def changed_days(daily: Daily, estimator: Callable[[Daily, DoorFacts], list[Alarm]]) -> list[int]:
    """Cuts at which the record up to there has other alarms than the whole had by then."""
    alarms = [alarm.day for alarm in estimator(daily, DOOR)]
    cuts = {*alarms[:1], 560}
    early = {cut: [alarm.day for alarm in estimator(daily.up_to(cut), DOOR)] for cut in cuts}
    return [cut for cut in sorted(cuts) if early[cut] != [day for day in alarms if day <= cut]]


def fed_the_future(daily: Daily, door: DoorFacts) -> list[Alarm]:
    """An estimator that takes the mean of the next sixty days for each."""
    ahead = np.array([np.nanmean(daily.value[place : place + 60]) for place in range(daily.day.size)])
    return watch(replace(daily, value=ahead), door)


GAPS = replace(
    OPENS,
    temp_c=without(OPENS.temp_c, (450, 470), (530, 533)),
    rh_pct=without(OPENS.rh_pct, (300, 305), (450, 470)),
)


def test_later_days_change_no_alarm() -> None:
    assert watch(GAPS, DOOR) != []
    assert changed_days(GAPS, watch) == []


def test_an_estimator_fed_the_future_is_caught() -> None:
    """A negative control of the check above."""
    assert changed_days(GAPS, fed_the_future) != []


def test_an_alarm_of_another_unit_is_the_same_alarm() -> None:
    in_um = DoorFacts(scale=1000.0, white=20.0, ar=30.0, widest=100.0)
    (alarm,) = watch(replace(OPENS, value=1000.0 * OPENS.value), in_um)
    assert alarm.day == alarms()[0].day
    assert alarm.slope == pytest.approx(1000 * alarms()[0].slope, rel=1e-5)


def test_a_record_of_eleven_months_is_not_watched_yet() -> None:
    assert list(nights(PLAIN.up_to(330), DOOR)) == []
