"""The recursion against finite volumes, which use neither roots nor weights; Crank's sheet; its own laws."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from server.errors import OutOfRangeError
from server.timber.exact import Slab, dtheta, mean_pct, mode_roots, mode_weights, run, start, step, uptake
from server.timber.refusals import StateMismatchError
from tests.refusals import refuses

LAW = settings(derandomize=True, database=None, deadline=None, max_examples=60)
FILE: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "published" / "timber.json").read_text("utf-8")
)
UPTAKE, SERIES = FILE["step_uptake"], FILE["daily_series"]
GIVEN = SERIES["inputs"]
AIR = np.array(GIVEN["emc_rounded_4"])
TEMP = np.array(GIVEN["t"])
FloatArray = NDArray[np.float64]
FILMS = [None, 0.05, 0.8, 6.0]


def leaf(biot: float | None) -> Slab:
    return Slab(half_thickness_mm=27.0, biot=biot)


def by_finite_volumes(
    slab: Slab, start_pct: float, air: FloatArray, steps: FloatArray, cells: int
) -> FloatArray:
    """Half the leaf in equal cells, exact in time by the eigenvectors of its own matrix."""
    from scipy.linalg import eigh_tridiagonal

    film = 1 / (1 / (2 * cells) + (0.0 if slab.biot is None else 1 / slab.biot))
    diagonal = np.full(cells, -2.0 * cells**2)
    diagonal[0], diagonal[-1] = -(cells**2), -(cells**2) - film * cells
    rates, vectors = eigh_tridiagonal(diagonal, np.full(cells - 1, float(cells**2)))
    state, means = np.full(cells, start_pct), []
    for outside, theta in zip(air, steps, strict=True):
        state = outside + vectors @ (np.exp(rates * theta) * (vectors.T @ (state - outside)))
        means.append(state.mean())
    return np.array(means)


@pytest.mark.parametrize("biot", [None, 0.8, 4.0])
def test_finite_volumes_agree(biot: float | None) -> None:
    """300 and 600 cells, extrapolated; a second way that shares no formula with the modes."""
    slab = leaf(biot)
    theta = dtheta(slab, TEMP)
    coarse, fine = (by_finite_volumes(slab, 12.0, AIR, theta, cells) for cells in (300, 600))
    assert run(slab, 12.0, AIR, TEMP) == pytest.approx((4 * fine - coarse) / 3, abs=1e-6)


@pytest.mark.parametrize("case", SERIES["series"][:2], ids=lambda case: case["name"])
def test_24_days(case: dict[str, Any]) -> None:
    """Worked with 400 modes and by finite volumes, from air rounded to 1e-4."""
    slab = leaf(case["biot"])
    assert run(slab, 12.0, AIR, TEMP) == pytest.approx(case["mean_mc"], abs=2e-6)
    assert dtheta(slab, TEMP) == pytest.approx(GIVEN["dtheta"], abs=5e-9)


@pytest.mark.parametrize("case", UPTAKE["cases"], ids=lambda case: f"biot {case['biot']}")
def test_roots_weights_and_a_single_step(case: dict[str, Any]) -> None:
    """Crank (1975), plane sheet: 4 000 modes, and finite volumes that agree to 7e-11."""
    slab = replace(leaf(case["biot"]), modes=400)
    assert mode_roots(case["biot"], 3) == pytest.approx(case["roots_1_to_3"], abs=1e-8)
    assert mode_weights(case["biot"], 3) == pytest.approx(case["weights_1_to_3"], abs=1e-8)
    days = np.array(UPTAKE["theta"]) * 27.0**2 / 6.5
    taken = [mean_pct(slab, step(slab, start(slab, 0.0), air_pct=1.0, temp_c=20.0, days=d)) for d in days]
    assert taken == pytest.approx(case["uptake"], abs=1e-6)


@pytest.mark.parametrize(("theta", "taken"), [(0.25, 0.562233541762), (0.125, 0.398927989885)])
def test_bare_sheet_to_more_digits(theta: float, taken: float) -> None:
    """Crank's sheet series recomputed; 2 sqrt(theta / pi) for the shorter time is right to 2e-4."""
    slab = replace(leaf(None), modes=400)
    state = step(slab, start(slab, 0.0), air_pct=1.0, temp_c=20.0, days=theta * 27.0**2 / 6.5)
    assert mean_pct(slab, state) == pytest.approx(taken, abs=1e-9)


@pytest.mark.parametrize("case", UPTAKE["cases"], ids=lambda case: f"biot {case['biot']}")
def test_uptake(case: dict[str, Any]) -> None:
    assert uptake(UPTAKE["theta"], case["biot"]) == pytest.approx(case["uptake"], abs=1e-6)


def test_uptake_of_bare_wood_has_no_seam() -> None:
    """Both of Crank's forms at the time where one gives way to the other, and at the very start."""
    before, after = uptake([0.05 - 1e-12, 0.05])
    assert before == pytest.approx(after, abs=1e-9)
    assert uptake([0.0, 1e-6]) == pytest.approx([0.0, 2e-3 / np.sqrt(np.pi)], abs=1e-12)


def test_a_fortnight_in_new_air() -> None:
    """54 mm leaf: bare wood 39.9 % of the way, behind a film of Biot number 0.8 only 8.2 %."""
    way = [run(leaf(biot), 0.0, [1.0], [20.0], [14.0])[0] for biot in (None, 0.8)]
    assert way == pytest.approx([0.399, 0.082], abs=5e-4)


@pytest.mark.parametrize("biot", FILMS)
def test_run_is_step_again_and_again(biot: float | None) -> None:
    slab = leaf(biot)
    lengths = np.random.default_rng(1).uniform(0.2, 9.0, AIR.size)
    state, means = start(slab, 12.0), []
    for air, temp, days in zip(AIR, TEMP, lengths, strict=True):
        state = step(slab, state, air_pct=air, temp_c=temp, days=days)
        means.append(mean_pct(slab, state))
    assert run(slab, 12.0, AIR, TEMP, lengths) == pytest.approx(means, abs=1e-12)


@pytest.mark.parametrize("biot", FILMS)
def test_constant_air_stays(biot: float | None) -> None:
    slab = leaf(biot)
    assert mean_pct(slab, start(slab, 12.5)) == pytest.approx(12.5, abs=1e-12)
    assert run(slab, 12.5, np.full(24, 12.5), TEMP) == pytest.approx(12.5, abs=1e-12)


airs = st.lists(st.floats(4, 24), min_size=8, max_size=8)
films = st.one_of(st.none(), st.floats(0.02, 50))


@LAW
@given(airs, airs, films)
def test_linear_in_the_air_and_within_it(first: list[float], second: list[float], biot: float | None) -> None:
    slab, temp = leaf(biot), TEMP[:8]
    one, two = (run(slab, air[0], air, temp) for air in (first, second))
    both = run(slab, 2 * first[0] - second[0], 2 * np.array(first) - second, temp)
    assert both == pytest.approx(2 * one - two, abs=1e-9)
    assert min(first) - 1e-9 <= one.min()
    assert one.max() <= max(first) + 1e-9


@LAW
@given(airs, films, st.floats(0.2, 5))
def test_twice_as_thick_is_four_times_as_slow(air: list[float], biot: float | None, times: float) -> None:
    slab = leaf(biot)
    thick = replace(slab, half_thickness_mm=27.0 * times)
    slower = run(thick, 10.0, air, TEMP[:8], times**2)
    assert slower == pytest.approx(run(slab, 10.0, air, TEMP[:8]), abs=1e-9)


@LAW
@given(airs, films, st.floats(0.1, 0.9))
def test_a_day_in_two_parts_is_the_same_day(air: list[float], biot: float | None, part: float) -> None:
    slab, temp = leaf(biot), TEMP[:8]
    lengths = np.tile([part, 1 - part], 8)
    parts = run(slab, 10.0, np.repeat(air, 2), np.repeat(temp, 2), lengths)[1::2]
    assert parts == pytest.approx(run(slab, 10.0, air, temp), abs=1e-12)


def test_forty_modes_are_enough_for_a_day() -> None:
    for biot in (None, 0.8):
        many = run(replace(leaf(biot), modes=400), 12.0, AIR, TEMP)
        assert run(leaf(biot), 12.0, AIR, TEMP) == pytest.approx(many, abs=1e-12)


def test_state_of_another_leaf_is_refused() -> None:
    slab = leaf(0.8)
    other = replace(slab, biot=0.81)
    with refuses(StateMismatchError, asked="state", needed=slab.fingerprint, came=other.fingerprint):
        step(slab, start(other, 12.0), air_pct=12.0, temp_c=20.0)
    with refuses(StateMismatchError, asked="state", needed=slab.fingerprint, came=other.fingerprint):
        mean_pct(slab, start(other, 12.0))


@pytest.mark.parametrize(
    "wrong",
    [
        {"half_thickness_mm": 0.0},
        {"d20_mm2_per_day": -1.0},
        {"biot": 0.0},
        {"biot": float("nan")},
        {"q_over_r_k": float("inf")},
        {"modes": 0},
    ],
)
def test_refuses_a_leaf_that_cannot_be(wrong: dict[str, Any]) -> None:
    with refuses(
        OutOfRangeError,
        asked="leaf behind its finish",
        needed="above 0",
        came=f"{next(iter(wrong.values()))}",
    ):
        Slab(**({"half_thickness_mm": 27.0} | wrong))


def test_refuses_air_that_is_not_known() -> None:
    slab = leaf(0.8)
    with refuses(OutOfRangeError, asked="step", needed="air", came="nan %, 20 C, 1 days"):
        step(slab, start(slab, 12.0), air_pct=float("nan"), temp_c=20.0)
    with refuses(OutOfRangeError, asked="step", needed="a time above 0", came="0 days"):
        step(slab, start(slab, 12.0), air_pct=12.0, temp_c=20.0, days=0.0)
    with refuses(OutOfRangeError, asked="series", needed="times above 0", came="without"):
        run(slab, 12.0, [12.0, np.nan], 20.0)
    with refuses(OutOfRangeError, asked="series", needed="times above 0", came="without"):
        run(slab, 12.0, [12.0], 20.0, 0.0)
