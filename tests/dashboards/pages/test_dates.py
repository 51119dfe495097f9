"""Dates and times in words."""

from datetime import UTC, date, datetime, timedelta

import pytest

from dashboards.pages import dates

NB = dates.NBSP
NOW = datetime(2026, 11, 24, 7, 40, tzinfo=UTC)


def test_dates_are_those_of_the_site() -> None:
    midsummer = datetime(2026, 6, 30, 23, 30, tzinfo=UTC)
    assert dates.local_date(midsummer, "Europe/London") == f"1{NB}July{NB}2026"
    assert dates.local_date(midsummer, "UTC") == f"30{NB}June{NB}2026"
    assert dates.local_time(midsummer, "Europe/London") == f"1{NB}July{NB}2026, 00:30"


@pytest.mark.parametrize(
    ("before", "text"),
    [
        (timedelta(seconds=12), "12 seconds ago"),
        (timedelta(minutes=9), "today, 07:31"),
        (timedelta(days=26), f"29{NB}October, 07:40"),
        (timedelta(days=400), f"20{NB}October{NB}2025, 08:40"),
    ],
)
def test_when_it_was_heard(before: timedelta, text: str) -> None:
    assert dates.ago(NOW - before, NOW, "Europe/London") == text


@pytest.mark.parametrize(
    ("first", "last", "text"),
    [
        (date(2026, 2, 2), date(2026, 2, 19), f"2 to 19{NB}February{NB}2026"),
        (date(2026, 2, 2), date(2026, 3, 1), f"2{NB}February to 1{NB}March{NB}2026"),
        (date(2025, 12, 30), date(2026, 1, 2), f"30{NB}December{NB}2025 to 2{NB}January{NB}2026"),
        (date(2026, 2, 2), date(2026, 2, 2), f"2{NB}February{NB}2026"),
    ],
)
def test_a_span_is_said_shortly(first: date, last: date, text: str) -> None:
    moments = [datetime(d.year, d.month, d.day, 12, tzinfo=UTC) for d in (first, last)]
    assert dates.span(moments[0], moments[1], "Europe/London") == text


@pytest.mark.parametrize(
    ("days", "text"),
    [
        (1, f"1{NB}day"),
        (26, f"26{NB}days"),
        (98, f"14{NB}weeks"),
        (300, f"9{NB}months"),
        (2000, f"5{NB}years"),
    ],
)
def test_how_long(days: int, text: str) -> None:
    assert dates.lasted(days) == text


def test_day_numbers_count_from_1970() -> None:
    assert dates.day_date(0) == date(1970, 1, 1)
    assert dates.day_number(NOW) == (date(2026, 11, 24) - date(1970, 1, 1)).days
    assert dates.at_ms(86_400_000) == datetime(1970, 1, 2, tzinfo=UTC)
    assert dates.month(date(2027, 8, 3)) == f"August{NB}2027"
