"""Openings and what they allow to be said. Source of the numbers: tests/published/trial.json."""

from typing import Any

import numpy as np
import pytest

from server.errors import OutOfRangeError
from server.trend.trial_use import (
    DailyUse,
    Reading,
    Said,
    UseUnknownError,
    openings,
    per_10000,
    said_of_use,
    slams,
    spans_of,
    tells_openings_from_time,
    ten_thousands,
    use_a_year,
    year_total,
)
from tests.refusals import refuses
from tests.trend.trial_cases import CASES, of_topic

KINDS = {"counted": "counted", "reset: at least": "at_least", "other counter": "other_counter"}
GIVEN = CASES["openings-spans"]
READINGS = [
    Reading(day=day, count=count, counter=counter) for day, count, counter in GIVEN["input"]["readings"]
]


def test_spans_as_worked_by_hand() -> None:
    found = [(span.start, span.end, span.count, span.kind) for span in spans_of(READINGS)]
    assert found == [(*span[:3], KINDS[span[3]]) for span in GIVEN["output"]["spans"]]


def test_days_as_worked_by_hand() -> None:
    found = openings(spans_of(READINGS))
    wanted = {int(day): tuple(value) for day, value in GIVEN["output"]["per_day"].items()}
    assert found.day.tolist() == list(wanted)
    assert found.count == pytest.approx([count for count, _ in wanted.values()])
    assert found.covered == pytest.approx([covered for _, covered in wanted.values()])
    assert found.is_at_least


def test_a_span_of_days_tells_no_daily_spread() -> None:
    found = openings(spans_of(READINGS))
    assert found.day[~found.tells_spread].tolist() == [1, 2, 3, 4]


def test_years_total_as_worked() -> None:
    case = CASES["openings-year"]
    found = year_total(case["input"]["days"], case["input"]["missing"])
    assert found == pytest.approx((case["output"]["total"], case["output"]["sd"]), rel=1e-9)


def test_spread_of_a_total_is_the_spread_of_drawn_years() -> None:
    rng = np.random.default_rng(4)
    drawn, ends = rng.normal(30, 8, (20_000, 60)), []
    counted = drawn[:, :20]
    ends = drawn.sum(axis=1) - counted.sum(axis=1) - 40 * counted.mean(axis=1)
    _total, sd = year_total([22.0, 38.0] * 10, 40)  # sample sd 8.2
    assert sd / 8.2078 == pytest.approx(ends.std() / 8, rel=0.02)


@pytest.mark.parametrize("case", of_topic("use", "rate"), ids=lambda case: case["id"])
def test_rates_per_10000_as_worked(case: dict[str, Any]) -> None:
    given = case["input"]
    found = per_10000(given["rate"], given["half"], given["openings_a_year"], given["sd"])
    assert (found.rate, found.half) == pytest.approx(
        (case["output"]["rate"], case["output"]["half"]), rel=1e-9
    )


def days(counted: int, record: int) -> DailyUse:
    """A record of which the first `counted` days were counted: 20 and 40 openings, turn about."""
    covered = np.zeros(record)
    covered[:counted] = 1.0
    return DailyUse(
        day=np.arange(record),
        count=np.where(np.arange(record) % 2, 40.0, 20.0) * covered,
        covered=covered,
        tells_spread=np.ones(record, dtype=bool),
        is_at_least=False,
    )


def test_use_a_year_is_the_mean_day_times_the_year() -> None:
    found = use_a_year(days(400, 500))
    assert found.total == pytest.approx(30 * 365.25)
    assert (found.counted_days, found.record_days) == (400, 500)
    assert found.sd == pytest.approx(365.25 / 500 * (400 / 399 * 100 * (100 + 100**2 / 400)) ** 0.5)


def test_a_column_of_openings_adds_up_day_by_day() -> None:
    """A day that nobody counted is as the mean of the others; before and after the record too."""
    found = ten_thousands(days(4, 6), np.arange(-1, 7)) * 10_000
    assert found.tolist() == pytest.approx([30, 50, 90, 110, 150, 180, 210, 240])


def test_a_day_on_which_a_counter_fell_back_is_at_least_what_it_told() -> None:
    daily = days(4, 6)
    daily.count[4:] = 500.0, 3.0
    steps = np.diff(ten_thousands(daily, np.arange(0, 6)) * 10_000)
    assert steps[-2:].tolist() == pytest.approx([500, 30])


def test_too_few_counted_days_are_refused() -> None:
    with refuses(UseUnknownError, asked="per 10,000 openings", needed="180 counted days", came="92"):
        use_a_year(days(92, 100))


def test_too_small_a_part_of_the_record_is_refused() -> None:
    with refuses(UseUnknownError, asked="per 10,000 openings", needed="0.6 of the 400 days", came="0.50"):
        use_a_year(days(200, 400))


def test_averages_over_long_spans_alone_are_refused() -> None:
    long = [Reading(day=2.0 * step, count=60 * step, counter="c1") for step in range(150)]
    with refuses(UseUnknownError, asked="per 10,000 openings", needed="within 24 hours", came="longer"):
        use_a_year(openings(spans_of(long)))


@pytest.mark.parametrize(("year", "sd", "came"), [(10_000, 1501, "0.15"), (0, 0, "0 a year")])
def test_a_total_that_is_not_known_is_refused(year: float, sd: float, came: str) -> None:
    with refuses(UseUnknownError, asked="per 10,000 openings", needed="", came=came):
        per_10000(0.06, 0.03, year, sd)


def test_a_bouncing_counter_is_kept_and_found() -> None:
    shown = [Reading(day=day, count=count, counter="c1") for day, count in ((0, 0), (1, 30), (2, 5031))]
    found = openings(spans_of(shown))
    assert found.count.tolist() == [30, 5001]
    assert found.bouncing.tolist() == [1]


def test_readings_out_of_order_and_none_are_refused() -> None:
    with refuses(OutOfRangeError, asked="openings", needed="in order of time", came="another"):
        openings(spans_of(READINGS[::-1]))
    with refuses(UseUnknownError, asked="openings", needed="two readings", came="fewer"):
        openings(spans_of(READINGS[:1]))


@pytest.mark.parametrize(
    ("by_year", "by_openings", "are_counted", "wanted"),
    [
        ("south", "south", True, "not_by_use"),
        ("south", None, True, "may_be_use"),
        ("south", "north", True, "may_be_use"),
        (None, "south", True, "by_openings_only"),
        (None, None, True, "nothing_told"),
        ("south", None, False, "not_counted"),
    ],
)
def test_what_may_be_said_of_use(
    by_year: str | None, by_openings: str | None, are_counted: bool, wanted: Said
) -> None:
    assert said_of_use(by_year=by_year, by_openings=by_openings, are_counted=are_counted) == wanted


@pytest.mark.parametrize(("se_with", "wanted"), [(0.11, False), (0.0401, False), (0.04, True), (0.021, True)])
def test_openings_enter_only_where_they_are_not_time(se_with: float, wanted: bool) -> None:
    assert tells_openings_from_time(se_with=se_with, se_without=0.01) is wanted
    with refuses(OutOfRangeError, asked="column of openings", needed="above 0", came="0 and 0.01"):
        tells_openings_from_time(se_with=0.0, se_without=0.01)


def test_slams_are_above_the_doors_own_early_level() -> None:
    day = np.repeat(np.arange(14, 120), 10)
    peak = np.tile(np.arange(1.0, 11.0), 106)
    peak[-1], peak[-2] = 60.0, 50.0
    greatest, count, level = slams(day, peak)
    assert level == np.percentile(np.tile(np.arange(1.0, 11.0), 91), 99.5)
    assert (greatest[0], greatest[-1]) == (10.0, 60.0)
    assert count.tolist() == [0] * 105 + [2]


def test_slams_without_early_days_are_refused() -> None:
    with refuses(UseUnknownError, asked="slams", needed="days 14 to 104", came="none"):
        slams([200, 201], [3.0, 4.0])
