"""What may be handed to the trend, and what is declared of each kind of gauge."""

from dataclasses import replace

import numpy as np
import pytest

from server.errors import SeriesError
from server.trend.series import Daily, DoorFacts, for_droop, for_opening, for_turn
from tests.trend.records import record


def test_up_to_keeps_that_day() -> None:
    assert record(20, first=5).up_to(10).day.tolist() == [5, 6, 7, 8, 9, 10]


def test_refuses_arrays_of_unlike_length() -> None:
    good = record(20)
    with pytest.raises(SeriesError, match="daily series, rh_pct: needs 20 values, one a day, got 19"):
        replace(good, rh_pct=good.rh_pct[:-1])


def test_refuses_days_that_do_not_follow() -> None:
    good = record(20)
    with pytest.raises(SeriesError, match="needs every day once, in order, got 9 after 7"):
        replace(good, day=np.where(good.day > 7, good.day + 1, good.day))


def test_refuses_days_before_hanging() -> None:
    with pytest.raises(SeriesError, match="needs days since hanging, 0 or later, got day -3"):
        record(20, first=-3)


@pytest.mark.parametrize("name", ["value", "temp_c", "rh_pct"])
def test_refuses_infinities(name: str) -> None:
    arrays = {key: getattr(record(20), key).copy() for key in ("value", "temp_c", "rh_pct")}
    arrays[name][6] = np.inf
    with pytest.raises(SeriesError, match=f"{name}: needs finite numbers or none, got inf at place 6"):
        Daily(day=np.arange(20), **arrays)


def test_refusal_is_a_value_error() -> None:
    assert issubclass(SeriesError, ValueError)


def test_facts_of_a_droop() -> None:
    facts = for_droop()
    assert (facts.scale, facts.white, facts.ar, facts.widest, facts.alarm) == (1.0, 0.02, 0.03, 0.10, 2.9)


def test_facts_of_an_opening() -> None:
    """Trend, section 17; but for the widest, which is of this project's own runs (DEVELOPERS)."""
    facts = for_opening()
    assert (facts.scale, facts.white, facts.ar, facts.widest, facts.alarm) == (0.5, 0.01, 0.015, 0.10, 2.9)


@pytest.mark.parametrize(("spacing_mm", "ratio"), [(170.0, 1.0), (85.0, 2.0)])
def test_facts_of_a_turn_grow_as_the_pair_shrinks(spacing_mm: float, ratio: float) -> None:
    facts = for_turn(spacing_mm)
    sizes = [facts.scale, facts.white, facts.ar, facts.widest]
    assert sizes == pytest.approx([0.4 * ratio, 0.02 * ratio, 0.02 * ratio, 0.05 * ratio])
    assert facts.alarm == 2.3


@pytest.mark.parametrize("name", ["scale", "white", "ar", "widest"])
def test_refuses_facts_that_cannot_be(name: str) -> None:
    sizes = {"scale": 1.0, "white": 0.02, "ar": 0.03, "widest": 0.1} | {name: 0.0}
    with pytest.raises(SeriesError, match=f"door's {name}: needs a number above 0, got 0"):
        DoorFacts(scale=sizes["scale"], white=sizes["white"], ar=sizes["ar"], widest=sizes["widest"])


def test_refuses_a_pair_without_spacing() -> None:
    with pytest.raises(SeriesError, match="spacing of a pair of gauges, mm: needs a number above 0, got 0"):
        for_turn(0.0)


def test_refuses_a_negative_drift() -> None:
    with pytest.raises(SeriesError, match="door's drift a year: needs a number of 0 or more, got -1"):
        DoorFacts(drift_per_year=-1.0)
