"""One series looked at: facts, parts and refusals in words."""

from dataclasses import replace

import numpy as np
import pytest

from server.inspection.look import look
from server.inspection.values import DoorInputs, SeriesLook
from tests.inspection.doors import HUNG_DAY, YEAR, Truth, made_inputs, missing, one_gauge

GROWING = Truth(years=3.0, droop_mm_per_year=0.3, season_mm=0.4)


def gauge(inputs: DoorInputs) -> SeriesLook:
    found = look(inputs).series
    assert [one.key for one in found] == ["gauge:droop"]
    return found[0]


def test_what_stays_and_the_rate_hold_the_truth() -> None:
    found = gauge(made_inputs(GROWING, one_gauge()))
    assert found.parts is not None
    truth = 0.3 * (found.parts.day[-1] - HUNG_DAY - 20.5) / YEAR
    assert found.status == "served"
    assert found.low is not None
    assert found.high is not None
    assert found.low < 0.3 < found.high
    assert found.facts["stays_low"] < truth < found.facts["stays_high"]
    assert found.facts["swing_year"] == pytest.approx(0.4, abs=0.05)
    # The wave stands at cos(2 pi 54.5/365) of its height when the line is drawn, 0.2 mm is all of it.
    assert found.facts["worst_season"] == pytest.approx(0.2 * (1 - np.cos(2 * np.pi * 54.5 / YEAR)), abs=0.06)


def test_parts_add_up() -> None:
    found = gauge(made_inputs(GROWING, one_gauge()))
    parts = found.parts
    assert parts is not None
    assert found.number("now") == pytest.approx(parts.stays[-1] + parts.back[-1])
    assert np.nanstd(parts.seen - parts.stays - parts.back) < 0.03
    assert (parts.stays_low < parts.stays).all()
    assert parts.stays[14:28].mean() == pytest.approx(0.0, abs=1e-9)
    assert parts.day[0] == HUNG_DAY


def test_first_year_keeps_what_was_measured() -> None:
    found = gauge(made_inputs(replace(GROWING, years=0.8), one_gauge()))
    assert (found.status, found.rate, found.number("stays")) == ("refused", None, None)
    assert found.reason == "season and what stays are parted after a year; 291 days are heard"
    assert found.facts["first_word_day"] == HUNG_DAY + 365
    assert found.parts is not None
    assert np.isfinite(found.parts.seen).all()
    assert np.isnan(found.parts.stays).all()


def test_second_year_is_provisional() -> None:
    assert gauge(made_inputs(replace(GROWING, years=1.9), one_gauge())).status == "provisional"


def test_first_weeks_count_from_a_first_line() -> None:
    found = gauge(made_inputs(replace(GROWING, years=20 / YEAR), one_gauge()))
    assert (found.status, found.facts["line"]) == ("refused", "first")
    assert found.number("now") == pytest.approx(0.0, abs=0.05)


def test_an_outage_is_bridged() -> None:
    found = gauge(missing(made_inputs(GROWING, one_gauge()), 500, 560))
    assert found.status == "served"
    assert found.parts is not None
    assert np.isnan(found.parts.seen[500:560]).all()
    assert found.low is not None
    assert found.high is not None
    assert found.low < 0.3 < found.high


def test_no_air_is_a_refusal_in_words() -> None:
    inputs = made_inputs(GROWING, one_gauge())
    found = gauge(replace(inputs, temp_c=np.full(inputs.day.size, np.nan)))
    assert (found.status, found.number("stays")) == ("refused", None)
    assert found.reason == "the air at the door is not known, so season and what stays cannot be parted"


def test_a_gauge_out_while_the_line_was_drawn_says_so() -> None:
    inputs = missing(made_inputs(Truth(years=0.5)), 0, 60, gauges=("latch-top",))
    found = {one.key: one for one in look(inputs).series}["gap:latch-top"]
    assert (found.status, found.parts) == ("refused", None)
    assert found.reason == "no reading in the days from which its line is drawn"


def test_the_worst_of_a_gap_is_its_closing() -> None:
    found = {one.key: one for one in look(made_inputs(Truth(years=2.1))).series}["gap:latch-top"]
    # 8e-4 of strain on 1050 mm closes 0.84 mm in the damp, from a line drawn in spring at cos(2 pi 54.5/365).
    line = np.cos(2 * np.pi * 54.5 / YEAR)
    assert found.number("worst_season") == pytest.approx(0.84 * (1 - line), abs=0.1)
