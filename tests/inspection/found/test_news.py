"""What is told once."""

from dataclasses import replace

import pytest

from server.inspection.found.news import news
from server.inspection.found.told import day_text
from server.inspection.seen import Seen
from tests.inspection.doors import HUNG_DAY, Truth, made_inputs
from tests.inspection.found.seeing import seen_in, seen_of, served, stays, verdicts


def after(days: int, *, readings_a_day: int = 96, first_day: int = 0) -> Seen:
    """The night after so many days."""
    truth = Truth(years=(days + 0.5) / 365.25, readings_a_day=readings_a_day, first_day=first_day)
    inputs = made_inputs(truth)
    assert inputs.last_ended == days - 1
    return seen_in(inputs)


def said(seen: Seen) -> list[str]:
    return [one.about for one in news(seen)]


def on(step: str, day: int) -> list[str]:
    return [f"north/{step}@{day_text(HUNG_DAY + day)}"]


@pytest.mark.parametrize(
    ("days", "expected"),
    [
        (20, []),
        (21, on("line_soon", 28)),
        (27, on("line_soon", 28)),
        (28, on("line_fixed", 28)),
        (34, on("line_fixed", 28)),
        (35, []),
    ],
)
def test_the_line(days: int, expected: list[str]) -> None:
    seen = after(days)
    assert said(seen) == expected
    assert {step for one in news(seen) for step in verdicts(one).values()} <= {"at_once"}


def test_a_door_heard_late_counts_from_its_first_day() -> None:
    assert said(after(100 + 21, first_day=100)) == on("line_soon", 128)
    assert said(after(100 + 28, first_day=100)) == on("line_fixed", 128)


@pytest.mark.parametrize(
    ("days", "expected"),
    [(28, on("line_late", 28)), (34, on("line_late", 28)), (35, []), (42, on("line_late", 42))],
)
def test_a_fortnight_with_few_good_days(days: int, expected: list[str]) -> None:
    seen = after(days, readings_a_day=11)
    assert said(seen) == expected
    assert [one.evidence["good_days"] for one in news(seen)] == [0] * len(expected)


@pytest.mark.parametrize(("day", "is_told"), [(60, False), (61, True), (90, True), (91, False)])
def test_the_first_word(day: int, *, is_told: bool) -> None:
    seen = seen_of(Truth(years=90.5 / 365.25))
    assert seen.inputs.last_ended == 89  # tonight is day 90
    since = seen.inputs.hung_day + day
    assert said(served(seen, "droop", None, first_word_day=since)) == []
    found = said(served(seen, "droop", None, **stays(0.1, 0.0, first_word_day=since)))
    assert found == (on("first_word", day) if is_told else [])


def test_a_door_never_heard_has_no_news() -> None:
    seen = after(28)
    empty = replace(seen.inputs, day=seen.inputs.day[:0])
    assert news(replace(seen, inputs=empty, looks={})) == []
