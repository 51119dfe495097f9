"""Live figures as JSON."""

import json
from dataclasses import replace

import numpy as np

from dashboards.figures import live, stills
from dashboards.figures.weeks import rounds, weekly
from tests.dashboards import yard

WORDS = stills.Words(limit_mm=2.43, limit="leaf meets the frame, 2.43", line="hung line")


def test_values_have_four_decimals_and_gaps_are_null() -> None:
    assert live.numbers(np.array([0.123456, np.nan, -0.00001])) == [0.1235, None, 0.0]


def test_the_trend_is_strict_json_of_at_most_400_points() -> None:
    parts = yard.result("droop", years=20).parts
    assert parts is not None
    weeks = weekly(parts)
    told = live.trend(weeks, stills.depth_of(weeks, 2.43), WORDS)
    json.dumps(told, allow_nan=False)
    for trace in told["traces"]:
        assert len(trace["x"]) == len(trace["y"]) <= 400
    assert told["spans"]["year"][0] > told["spans"]["hung"][0]


def test_a_gap_of_weeks_is_null() -> None:
    parts = yard.result("droop").parts
    assert parts is not None
    weeks = weekly(parts)
    told = live.trend(weeks, stills.depth_of(weeks, 2.43), WORDS)
    assert None in next(trace["y"] for trace in told["traces"] if trace["role"] == "seen")


def test_the_round_names_its_years() -> None:
    parts = yard.result("droop").parts
    assert parts is not None
    told = live.season_round(rounds(parts), lambda day: f"day {day}")
    assert told["traces"][-1]["text"][-1] == f"day {yard.TODAY}"
    assert told["y"][0] > 0 > told["y"][1]


def test_names_carry_no_markup_to_the_plotting_library() -> None:
    years = np.linspace(0, 5, 10)
    one = stills.PairLine(name="<b>x</b>", years=years, stays=years, low=years, high=years, is_dashed=False)
    names = [trace["name"] for trace in live.pair([one])["traces"] if trace["role"] == "pair"]
    assert names == ["&lt;b&gt;x&lt;/b&gt;"]


def test_a_date_is_drawn_straight_to_the_limit_and_apart_from_what_was_measured() -> None:
    parts = yard.result("droop").parts
    assert parts is not None
    weeks = weekly(parts)
    onward = stills.Onward(earliest=yard.TODAY + 100, latest=yard.TODAY + 400)
    said = replace(WORDS, onward=onward, ticks=((yard.TODAY - 300.0, "?"),))
    told = live.trend(weeks, stills.depth_of(weeks, 2.43), said)
    json.dumps(told, allow_nan=False)
    assert [trace["role"] for trace in told["traces"]] == ["stays", "season", "seen"]
    late, early = told["onward"]
    assert (late["role"], early["role"]) == ("ahead", "aheadband")
    assert early["x"][1] < late["x"][1] < told["onwardSpan"][1]
    assert early["y"] == late["y"] == [round(float(weeks.stays[-1]), 4), 2.43]
    assert told["onwardY"][0] > 2.43
    assert told["ticks"][0]["text"] == "?"
    alone = live.trend(
        weeks, stills.depth_of(weeks, 2.43), replace(said, onward=replace(onward, latest=None))
    )
    assert [trace["role"] for trace in alone["onward"]] == ["ahead"]
    assert "onward" not in live.trend(weeks, stills.depth_of(weeks, 2.43), WORDS)
