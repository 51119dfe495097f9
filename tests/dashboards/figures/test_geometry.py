"""Paths, axes and ticks."""

import numpy as np
import pytest

from dashboards.figures import geometry as g


def test_what_is_missing_lifts_the_pen() -> None:
    assert g.line([0, 1, 2, 3], [0, 1, float("nan"), 3]) == "M0 0L1 1M3 3"


def test_an_area_is_closed_for_each_run() -> None:
    x, zero = np.arange(5.0), np.zeros(5)
    low = np.array([1.0, 1.0, np.nan, 2.0, 2.0])
    assert g.area(x, zero, low) == "M0 0L1 0L1 1L0 1ZM3 0L4 0L4 2L3 2Z"
    assert g.area(x, zero, np.full(5, np.nan)) == ""


@pytest.mark.parametrize(("span", "step"), [(2.5, 0.5), (0.6, 0.1), (11.0, 2.0), (0.3, 0.05)])
def test_steps_are_1_2_or_5(span: float, step: float) -> None:
    assert g.nice_step(span, 5) == pytest.approx(step)


def test_ticks_and_their_words() -> None:
    assert g.ticks(-0.3, 1.0, 0.5) == [0.0, 0.5, 1.0]
    assert [g.tick_label(v, 0.5) for v in (-0.5, 0.0, 1.5)] == ["−0.5", "0.0", "1.5"]
    assert [g.tick_label(v, 0.05) for v in (-0.0, 0.05)] == ["0.00", "0.05"]
    assert g.tick_label(2, 1) == "2"


def test_an_axis_runs_from_low_to_high() -> None:
    axis = g.Axis(low=-0.5, high=2.0, length=100.0)
    assert axis.one(-0.5) == 0
    assert axis.one(2.0) == 100
    assert axis.pct(0.75) == "50.00%"
    assert axis.at(np.array([0.0])) == pytest.approx([20.0])


@pytest.mark.parametrize(
    ("value", "text"), [(1.04, "1"), (-0.04, "0"), (10.0, "10"), (2.25, "2.2"), (100.0, "100")]
)
def test_coordinates_are_short(value: float, text: str) -> None:
    assert g.short(value) == text
