"""Weekly means and the season's rounds."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from dashboards.figures.weeks import branches, rounds, weekly
from tests.dashboards import yard


def test_weeks_are_means_of_seven_days_and_gaps_stay_gaps() -> None:
    parts = yard.result("droop").parts
    assert parts is not None
    weeks = weekly(parts)
    assert weeks.day.size == int(np.ceil(parts.day.size / 7))
    assert weeks.stays[0] == pytest.approx(parts.stays[:7].mean())
    assert weeks.stays[10] == pytest.approx(parts.stays[70:77].mean())
    assert np.isnan(weeks.seen).sum() >= 1
    assert weeks.is_parted
    assert np.allclose(weeks.fitted, weeks.stays + weeks.back)


def test_twenty_years_are_at_most_400_points() -> None:
    parts = yard.result("droop", years=20).parts
    assert parts is not None
    assert 200 < weekly(parts).day.size <= 400


def test_the_mean_of_a_part_is_the_mean_of_its_weeks() -> None:
    parts = yard.result("droop", years=2).parts
    assert parts is not None
    whole = parts.day.size - parts.day.size % 7
    assert weekly(parts).stays[: whole // 7].mean() == pytest.approx(parts.stays[:whole].mean())


def test_a_round_a_year_oldest_first() -> None:
    parts = yard.result("droop").parts
    assert parts is not None
    told = rounds(parts)
    assert len(told) == 5
    assert told[-1].day[-1] == parts.day[-1]
    assert all(np.diff(one.day).max() == 7 for one in told)
    assert [int(b.day[-1] - a.day[-1]) for a, b in itertools.pairwise(told)] == [365] * 4
    assert all(a.day[0] < b.day[0] for a, b in itertools.pairwise(told))


def test_under_a_year_there_is_no_round() -> None:
    parts = yard.result("droop", years=0.7).parts
    assert parts is not None
    assert rounds(parts) == ()
    nothing = np.full(parts.day.size, np.nan)
    assert rounds(replace(parts, moisture=nothing)) == ()


def test_branches_know_damp_from_dry() -> None:
    """Moisture leads what comes back by 25 days, so at mid-moisture the door hangs lower while it dries."""
    parts = yard.result("droop").parts
    assert parts is not None
    last = rounds(parts)[-1]
    third = (last.moisture.max() - last.moisture.min()) / 3
    for ends_at, side in ((12.7, -1), (12.3, 1), (last.moisture.max(), 0)):
        told = branches(replace(last, moisture=np.append(last.moisture[:-1], ends_at)))
        assert told["drying out"][1] > told["taking up damp"][1]
        assert told["drying out"][0] == pytest.approx(12.5 + side * third, abs=0.3)
