"""Figures as first drawn."""

from dataclasses import replace

import numpy as np
import pytest

from dashboards.figures import stills
from dashboards.figures.weeks import Weeks, rounds, weekly
from tests.dashboards import yard

WORDS = stills.Words(limit_mm=2.43, limit="leaf meets the frame, 2.43", line="hung line")


def weeks_of(**other: float) -> Weeks:
    parts = yard.result("droop", **other).parts  # type: ignore[arg-type]  # numbers by name
    assert parts is not None
    return weekly(parts)


def test_down_is_down() -> None:
    weeks = weeks_of()
    depth = stills.depth_of(weeks, 2.43)
    drawn = stills.trend(weeks, depth, WORDS)
    at = {label.text: float(label.y.rstrip("%")) for label in drawn.labels}
    assert at["hung line"] < at["1.0"] < at["2.0"] < at["leaf meets the frame, 2.43"]


def test_season_stays_and_measured_are_drawn_in_this_order() -> None:
    weeks = weeks_of()
    kinds = [stroke.kind for stroke in stills.trend(weeks, stills.depth_of(weeks, None), WORDS).strokes]
    assert kinds == ["f-season", "f-stays", "l-dots", "l-season", "l-stays"]
    bare = replace(weeks, stays=np.full(weeks.day.size, np.nan))
    assert [s.kind for s in stills.trend(bare, stills.depth_of(bare, None), WORDS).strokes] == ["l-dots only"]


def test_a_far_limit_does_not_crush_the_rest() -> None:
    small = weeks_of(rate=0.01, start=0.05, swing=0.1)
    assert not stills.depth_of(small, 2.43).shows_limit
    assert stills.depth_of(small, 2.43).bottom < 0.5
    assert stills.depth_of(weeks_of(), 2.43).shows_limit
    assert stills.depth_of(weeks_of(), 2.43).bottom > 2.43


def test_all_that_is_drawn_lies_in_the_box() -> None:
    weeks = weeks_of(swing=1.4)
    depth = stills.depth_of(weeks, 2.43)
    every = np.concatenate([weeks.seen, weeks.fitted, weeks.stays])
    assert np.nanmax(every) < depth.bottom
    assert np.nanmin(every) > depth.top


def test_the_newest_round_is_strongest_and_has_the_dot() -> None:
    parts = yard.result("droop").parts
    assert parts is not None
    drawn = stills.season_round(rounds(parts))
    assert [stroke.kind for stroke in drawn.strokes] == [f"l-season y{k}" for k in range(5)]
    assert len(drawn.dots) == 1
    assert {"now", "taking up damp", "drying out"} <= {label.text for label in drawn.labels}
    two = stills.season_round(rounds(parts)[-2:])
    assert [stroke.kind for stroke in two.strokes] == ["l-season y3", "l-season y4"]


def test_two_doors_are_told_apart_by_dash_and_name() -> None:
    years = np.linspace(0, 5, 50)
    one = stills.PairLine(
        name="North", years=years, stays=years * 0.1, low=years * 0.08, high=years * 0.12, is_dashed=False
    )
    drawn = stills.pair([one, replace(one, name="South", is_dashed=True)])
    kinds = {stroke.kind for stroke in drawn.strokes}
    assert {"l-stays", "l-stays dash", "b-edge", "b-edge dash", "f-stays f-half"} == kinds
    at = {
        label.text: float(label.y.rstrip("%")) for label in drawn.labels if label.text in ("North", "South")
    }
    assert (
        at["South"] - at["North"] >= 18 / stills.HEIGHT * 100 - 0.01
    )  # lines that end together, names apart


def test_sparks_of_a_list_share_one_axis() -> None:
    long, short = weeks_of(), weeks_of(years=2.0)
    first, last = float(long.day[0]), float(yard.TODAY)
    drawn = [stills.spark(w, top_mm=-0.1, depth_mm=2, first_day=first, last_day=last) for w in (long, short)]
    assert drawn[0].over[0].x1 == "0.00%"
    assert float(drawn[1].over[0].x1.rstrip("%")) == pytest.approx(60.0, abs=0.2)


def test_a_silent_door_s_spark_ends_in_a_broken_line() -> None:
    weeks = weeks_of(years=2.0)
    first = float(weeks.day[0])
    late = stills.spark(weeks, top_mm=0, depth_mm=2, first_day=first, last_day=float(weeks.day[-1]) + 60)
    now = stills.spark(weeks, top_mm=0, depth_mm=2, first_day=first, last_day=float(weeks.day[-1]) + 3)
    assert [s.kind for s in late.strokes].count("gap") == 1
    assert "gap" not in [s.kind for s in now.strokes]


def test_ticks_stand_at_their_days_and_a_date_is_not_drawn_at_first() -> None:
    weeks = weeks_of()
    ticks = ((float(weeks.day[0]), ""), ((weeks.day[0] + weeks.day[-1]) / 2, "?"))
    words = replace(WORDS, ticks=ticks, onward=stills.Onward(earliest=yard.TODAY + 50.0, latest=None))
    drawn = stills.trend(weeks, stills.depth_of(weeks, 2.43), words)
    at = [float(rule.x1.rstrip("%")) for rule in drawn.over if rule.kind == "g-tick"]
    assert at == pytest.approx([0.0, 49.0], abs=0.1)
    assert [label.text for label in drawn.labels].count("?") == 1
    plain = stills.trend(weeks, stills.depth_of(weeks, 2.43), WORDS)
    assert drawn.strokes == plain.strokes
