"""The slab against the series for a slab, its mass balance, and sorption with hysteresis."""

import math
from random import Random

import pytest

from sensors.sources.simulated.air import Air
from sensors.sources.simulated.doors import DOORS
from sensors.sources.simulated.wood import Slab, diffusivity_mm2_per_day, moisture_hours, play

NO_FILM = (1e15, 1e15)


def half_uptake_of_the_series() -> float:
    """D t/(2l)**2 at half uptake: 1 - sum 8/((2k+1)**2 pi**2) exp(-(2k+1)**2 pi**2 T) = 1/2, by halving."""

    def uptake(t: float) -> float:
        odd = [(2 * k + 1) ** 2 * math.pi**2 for k in range(60)]
        return 1.0 - sum(8.0 / q * math.exp(-q * t) for q in odd)

    low, high = 0.01, 0.2
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if uptake(middle) < 0.5 else (low, middle)
    return low


@pytest.mark.parametrize(("cells", "worst"), [(9, 0.05), (27, 0.01)])
def test_half_uptake_in_constant_air(cells: int, worst: float) -> None:
    series = half_uptake_of_the_series()
    assert series == pytest.approx(0.0491827, abs=5e-8)
    slab = Slab(cells=cells, thickness_mm=54.0, start_pct=0.0)
    hours, before, mean = 0, 0.0, 0.0
    while mean < 0.5:
        slab.step(1.0, 1.0, diffusivity_mm2_per_day=5.6, films_mm_per_day=NO_FILM)
        before, mean, hours = mean, sum(slab.cells_pct) / cells, hours + 1
    at = hours - 1 + (0.5 - before) / (mean - before)
    assert 5.6 * at / 24.0 / 54.0**2 == pytest.approx(series, rel=worst)


def test_what_goes_in_is_what_stays() -> None:
    """Sum of fluxes = change of mean times thickness, to 1e-9, under changing air, D and unlike films."""
    rng = Random(7)
    slab = Slab()
    went_in = 0.0
    for _ in range(3000):
        outer, inner, speed = rng.uniform(6, 20), rng.uniform(6, 20), rng.choice((5.6, 6.9))
        both = slab.step(outer, inner, diffusivity_mm2_per_day=speed, films_mm_per_day=(0.12, 1.4))
        went_in += sum(both)
    change = (sum(slab.cells_pct) / 9.0 - 12.0) * 54.0
    assert abs(change) > 1.0
    assert went_in == pytest.approx(change, abs=1e-9)


def test_lasting_difference_of_faces_gives_a_line_between_films() -> None:
    """Steady state by resistances in a row: 1/S1, thickness/D, 1/S2."""
    slab, flux = Slab(), 0.0
    for _ in range(400):
        flux, _ = slab.step(20.0, 8.0, diffusivity_mm2_per_day=5.6, films_mm_per_day=(0.12, 1.4), days=50.0)
    whole = 1.0 / 0.12 + 54.0 / 5.6 + 1.0 / 1.4
    assert flux / 50.0 == pytest.approx(12.0 / whole, rel=1e-9)
    assert slab.cells_pct[-1] == pytest.approx(8.0 + 12.0 / whole * (1.0 / 1.4 + 3.0 / 5.6), rel=1e-9)


@pytest.mark.parametrize(
    ("held", "emc", "then"), [(12.0, 12.3, 12.0), (12.0, 13.0, 12.6), (12.6, 12.5, 12.6), (12.6, 11.0, 11.4)]
)
def test_hysteresis_follows_only_when_pushed(held: float, emc: float, then: float) -> None:
    assert play(held, emc, 0.4) == pytest.approx(then, abs=1e-12)


def test_diffusivity_grows_with_warmth() -> None:
    assert diffusivity_mm2_per_day(5.6, 20.0) == pytest.approx(5.6)
    assert diffusivity_mm2_per_day(5.6, 30.0) / 5.6 == pytest.approx(math.exp(4300 * 10 / 293.15 / 303.15))


def test_leaf_starts_at_12_pct_and_each_face_follows_its_own_air() -> None:
    """Saturated outside, dry inside: the gauges' face dries at once, far more than the mean."""
    air = Air(out_temp_c=10.0, out_rh_pct=98.0, in_temp_c=20.0, in_rh_pct=30.0)
    hours = list(moisture_hours(DOORS["north"], [air] * 480))
    assert (hours[0].mean_pct, hours[0].face_pct) == (12.0, 12.0)
    assert (hours[0].temp_c, hours[0].rh_pct) == (20.0, 30.0)
    assert 11.9 < hours[1].face_pct < 12.0
    assert hours[-1].face_pct < 9.0 < hours[-1].mean_pct
