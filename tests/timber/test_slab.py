"""The slab against Crank, The Mathematics of Diffusion, 2nd ed. (1975), sec. 4.3.6, and its own laws."""

import numpy as np
import pytest

from server.errors import OutOfRangeError
from server.timber.slab import (
    Cell,
    mean_moisture_pct,
    relaxed,
    roots,
    step_uptake,
    temperature_factor,
    weights,
)


@pytest.mark.parametrize(
    ("biot", "printed"),
    [(0.1, [0.3111, 3.1731, 6.2991]), (1.0, [0.8603, 3.4256, 6.4373]), (10.0, [1.4289, 4.3058, 7.2281])],
)
def test_roots_of_the_table(biot: float, printed: list[float]) -> None:
    """Crank (1975), table 4.2, as printed."""
    assert roots(biot, 3) == pytest.approx(printed, abs=5.1e-5)


def test_roots_to_more_digits() -> None:
    """Worked apart by bisection."""
    assert roots(2.0, 3) == pytest.approx([1.076873986, 3.643597167, 6.578333733], abs=1e-8)


# Two ways that use neither roots nor weights agree on these: 200 finite volumes, and their refinement.
UPTAKE = [
    (0.1, [0.00977, 0.04743, 0.17611], 0.0004),
    (1.0, [0.08040, 0.31890, 0.77561], 0.0004),
    (10.0, [0.27388, 0.68498, 0.98527], 0.014),
]
THETA = np.array([0.1, 0.5, 2.0])


@pytest.mark.parametrize(("biot", "taken_up", "_"), UPTAKE)
def test_uptake_after_a_step(biot: float, taken_up: list[float], _: float) -> None:
    assert step_uptake(THETA, biot) == pytest.approx(taken_up, abs=1e-5)


@pytest.mark.parametrize(("biot", "taken_up"), [(0.5, 0.350239910), (2.0, 0.697841267), (10.0, 0.886504359)])
def test_uptake_to_more_digits(biot: float, taken_up: float) -> None:
    """At D t / l^2 = 1; finite volumes with Richardson's extrapolation agree to 7e-11."""
    assert float(step_uptake(1.0, biot)) == pytest.approx(taken_up, abs=1e-8)


@pytest.mark.parametrize(("biot", "_", "within"), UPTAKE)
def test_three_modes_follow_a_step_closely(biot: float, _: list[float], within: float) -> None:
    """The daily recursion, after 60 days in the old air, takes up what the whole series does."""
    tau, days = 50.0, 200
    air = np.where(np.arange(60 + days) < 60, 10.0, 11.0)
    mean = mean_moisture_pct(air, np.full(air.size, 20.0), (Cell(tau_days=tau, biot=biot),))[60:, 0] - 10.0
    theta = np.arange(1, days + 1) / (tau * roots(biot, 1)[0] ** 2)
    later = theta >= 0.1
    assert np.abs(mean - step_uptake(theta, biot))[later].max() <= within


@pytest.mark.parametrize("biot", [0.3, 1.5, 10.0])
def test_weights_add_up_to_one(biot: float) -> None:
    mu = roots(biot, 400)
    assert weights(biot, mu).sum() == pytest.approx(1.0, abs=1e-4)


def air(seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return rng.uniform(8, 16, 300), rng.uniform(-5, 30, 300)


CELLS = (Cell(tau_days=20.0, biot=0.3), Cell(tau_days=60.0, biot=1.5))


def test_constant_air_stays() -> None:
    _, temp_c = air(1)
    assert mean_moisture_pct(np.full(300, 12.5), temp_c, CELLS) == pytest.approx(12.5, abs=1e-12)


def test_moisture_stays_within_the_air() -> None:
    emc, temp_c = air(2)
    mean = mean_moisture_pct(emc, temp_c, CELLS)
    assert (mean > emc.min()).all()
    assert (mean < emc.max()).all()


def test_moisture_is_linear_in_the_air() -> None:
    emc, temp_c = air(3)
    whole = mean_moisture_pct(emc, temp_c, CELLS)
    assert mean_moisture_pct(3 * emc + 1, temp_c, CELLS) == pytest.approx(3 * whole + 1, abs=1e-11)


def test_a_day_in_two_halves_is_the_same_day() -> None:
    emc, _ = air(4)
    decay = np.random.default_rng(4).uniform(0.1, 1.0, (300, 2))
    halves = relaxed(np.repeat(emc, 2), np.repeat(np.sqrt(decay), 2, axis=0), 12.0)[1::2]
    assert halves == pytest.approx(relaxed(emc, decay, 12.0), abs=1e-12)


def test_cells_are_strangers_to_one_another() -> None:
    emc, temp_c = air(5)
    alone = mean_moisture_pct(emc, temp_c, CELLS[1:])[:, 0]
    assert mean_moisture_pct(emc, temp_c, CELLS)[:, 1] == pytest.approx(alone, abs=1e-13)


def test_warm_wood_is_faster() -> None:
    """By hand: the exponential of 42500 / (303.15 x 293.15)."""
    assert temperature_factor([20.0, 30.0]) == pytest.approx([1.0, 1.613225], abs=1e-6)


@pytest.mark.parametrize("biot", [0.0, -1.0, np.nan, np.inf])
def test_refuses_a_film_that_cannot_be(biot: float) -> None:
    with pytest.raises(OutOfRangeError, match="needs a Biot number above 0"):
        roots(biot, 3)
