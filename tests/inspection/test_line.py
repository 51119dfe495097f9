"""The hung line: its window, a day later at a time, and each gauge's reading then."""

from dataclasses import replace

import numpy as np
import pytest

from server.inspection.line import drawn_line
from tests.inspection.doors import Truth, made_inputs, missing, one_gauge, one_joint

PAIR = ("lock-hinge-top", "lock-hinge-bottom")
TRUTH = Truth(years=0.3)


@pytest.mark.parametrize(
    ("gone", "kind", "start"),
    [
        ((200, 201), "hung", 14),
        ((14, 18), "hung", 14),  # ten good days of fourteen are enough
        ((14, 19), "hung", 15),  # nine are not: the window moves on
        ((20, 60), "hung", 56),
        ((20, 300), "first", 0),
    ],
)
def test_window(gone: tuple[int, int], kind: str, start: int) -> None:
    line = drawn_line(missing(made_inputs(TRUTH, one_joint()), *gone), PAIR)
    assert (line.kind, line.start) == (kind, start)


def test_days_with_few_readings_are_not_good() -> None:
    line = drawn_line(made_inputs(Truth(years=0.3, readings_a_day=11), one_joint()), PAIR)
    assert line.kind == "first"
    assert drawn_line(made_inputs(Truth(years=0.3, readings_a_day=12), one_joint()), PAIR).kind == "hung"


def test_zero_is_the_median_of_the_window() -> None:
    inputs = made_inputs(TRUTH, one_joint())
    line = drawn_line(inputs, PAIR)
    assert line.zero_mm[PAIR[0]] == np.median(inputs.gauges[PAIR[0]].median[14:28])


def test_a_gauge_that_was_out_then_has_no_zero() -> None:
    line = drawn_line(missing(made_inputs(TRUTH, one_joint()), 10, 40, gauges=PAIR[:1]), PAIR)
    assert line.kind == "hung"
    assert set(line.zero_mm) == {PAIR[1]}


@pytest.mark.parametrize(("first", "since_heard", "start"), [(14, False, 14), (15, True, 29), (60, True, 74)])
def test_counted_from_when_it_was_first_heard(first: int, start: int, *, since_heard: bool) -> None:
    line = drawn_line(made_inputs(Truth(years=0.5, first_day=first), one_gauge()), ("droop",))
    assert (line.since_heard, line.start) == (since_heard, start)


def test_no_reading_no_line() -> None:
    line = drawn_line(missing(made_inputs(TRUTH, one_joint()), 0, 400), PAIR)
    assert (line.kind, line.zero_mm) == ("none", {})


def test_a_gauge_is_as_sure_as_it_is_declared_or_as_its_days_are() -> None:
    """Source: joinery, section 13: the spread is 1.4826 times the median distance from the median."""
    inputs = made_inputs(TRUTH, one_joint())
    days = inputs.gauges[PAIR[0]]
    rough = days.median + 0.1 * np.where(inputs.day % 2 == 0, 1.0, -1.0)
    line = drawn_line(replace(inputs, gauges={**inputs.gauges, PAIR[0]: replace(days, median=rough)}), PAIR)
    window = rough[14:28]
    assert line.spread_mm[PAIR[0]] == 1.4826 * np.median(np.abs(window - np.median(window)))
    assert line.sd_mm(PAIR[0], 0.0036) == line.spread_mm[PAIR[0]] > 0.1
    assert line.sd_mm(PAIR[1], 0.0036) >= 0.0036
    assert line.sd_mm("other", 0.03) == 0.03
    assert replace(line, kind="first").sd_mm(PAIR[0], 0.0036) == 0.0036
