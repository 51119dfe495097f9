"""First passage of a Brownian motion over a level, against closed forms."""

import numpy as np
import pytest

from server.trend.trial_passage import first_passage

BY = (0.3, 1.0, 2.7, 4.0)


@pytest.mark.parametrize(("height", "rise"), [(2.0, 0.0), (2.0, -1.5), (1.5, 0.8)])
def test_a_straight_level_as_its_closed_form(height: float, rise: float) -> None:
    """Source: the inverse Gaussian distribution, A. Wald 1947, from memory; reflection where it is level."""
    from scipy.stats import norm

    time = np.geomspace(height**2 / 81, 4.0, 500)
    told = first_passage(time, height + rise * time)
    for by in BY:
        away, back = (-(height + sign * rise * by) / by**0.5 for sign in (1, -1))
        wanted = norm.cdf(away) + np.exp(-2 * height * rise) * norm.cdf(back)
        assert told(by) == pytest.approx(wanted, rel=1e-6)


@pytest.mark.parametrize(("one", "two"), [(0.5, 0.5), (0.1, 3.0)])
def test_a_bent_level_as_its_closed_form(one: float, two: float) -> None:
    """H. E. Daniels 1969's curve, from memory, and by hand.

    A source at 0 and sinks of `one` at 2 and `two` at 4 cancel on it, so that it lets none through unseen.
    """
    from scipy.stats import norm

    def level(time: np.ndarray | float) -> np.ndarray:
        return np.asarray(1 - time / 2 * np.log(one / 2 + np.sqrt(one**2 / 4 + two * np.exp(-4 / time))))

    time = np.geomspace(1 / 81, 4.0, 500)
    told = first_passage(time, level(time))
    for by in BY:
        at = float(level(by))
        still = [share * norm.cdf((at - place) / by**0.5) for share, place in ((1, 0), (-one, 2), (-two, 4))]
        assert told(by) == pytest.approx(1 - sum(still), abs=1e-5)


def test_a_level_that_is_never_met_is_not_passed() -> None:
    time = np.geomspace(0.1, 1.0, 50)
    assert first_passage(time, np.full(50, 30.0))(1.0) < 1e-100
