"""The error of a pair by the years."""

import numpy as np
import pytest

from server.trend.trial_error import DROOP_MM, TURN_MRAD, ErrorPath

STEEP = ErrorPath(years=(2.0, 4.0, 8.0), se=(0.08, 0.03, 0.02))


def test_it_goes_through_what_was_measured_and_falls_all_along() -> None:
    assert STEEP.at(STEEP.years) == pytest.approx(STEEP.se)
    years = np.geomspace(0.3, 15, 400)
    for path in (STEEP, TURN_MRAD, DROOP_MM):
        assert (np.diff(path.at(years)) < 0).all()


def test_past_the_last_year_it_falls_as_the_root_of_time() -> None:
    assert STEEP.at(16.0) == pytest.approx(0.02 / 2**0.5)


def test_before_the_first_it_is_as_steep_as_there() -> None:
    near, far = np.log(STEEP.at([1.9, 1.9 * 1.01])), np.log(STEEP.at([0.9, 0.9 * 1.01]))
    assert near[0] - near[1] == pytest.approx(far[0] - far[1])
    assert near[0] - near[1] > 0.5 * np.log(1.01)


def test_it_has_no_corner() -> None:
    """What asks when a level is first passed needs a level without corners."""
    for year in STEEP.years:
        before, at, after = np.log(STEEP.at([year * (1 - 1e-5), year, year * (1 + 1e-5)]))
        assert before - at == pytest.approx(at - after, rel=1e-3)


def test_droop_falls_as_the_root_of_time() -> None:
    assert DROOP_MM.at([1.0, 4.0]) == pytest.approx([0.0744, 0.0372])


def test_pairs_come_to_be_compared_one_by_one() -> None:
    """By hand: half of the pairs by year 2, so that of two pairs both are in a quarter of trials."""
    late = ErrorPath(years=(2.0,), se=(0.02,), served_years=(1.0, 3.0), served=(0.0, 1.0))
    assert late.all_served(2.0, 2) == pytest.approx(0.25)
    assert (late.all_served(0.5, 1), late.all_served(5.0, 9)) == (0.0, 1.0)
    drawn = late.drawn_served(np.random.default_rng(1), 4000, 2)
    assert (drawn <= 2.0).mean() == pytest.approx(0.25, abs=4 * (0.25 * 0.75 / 4000) ** 0.5)
    assert STEEP.all_served(0.1, 5) == 1.0
    assert (STEEP.drawn_served(np.random.default_rng(1), 3, 5) == 0).all()


def test_in_another_unit_it_is_so_much_larger() -> None:
    assert STEEP.times(3.0).at(5.0) == pytest.approx(3 * STEEP.at(5.0))
