"""Gain and lag against the closed form (tests/published/timber.json) and against the recursion itself."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from server.errors import OutOfRangeError
from server.timber.cycle import cycle, first_order_cycle, time_constant_days
from server.timber.exact import Slab, run
from tests.refusals import refuses

POINTS: list[dict[str, Any]] = json.loads(
    (Path(__file__).parents[1] / "published" / "timber.json").read_text("utf-8")
)["gain_lag"]["points"]
PERIODS = {"annual": 365.25, "monthly": 30.4375, "daily": 1.0}


def leaf(biot: float | None) -> Slab:
    return Slab(half_thickness_mm=27.0, biot=biot)


@pytest.mark.parametrize("point", POINTS, ids=lambda point: f"{point['cycle']} {point['biot']}")
def test_gain_and_lag(point: dict[str, Any]) -> None:
    found = cycle(leaf(point["biot"]), PERIODS[point["cycle"]])
    assert found.gain == pytest.approx(point["gain"], abs=1e-5)
    assert found.lag_days == pytest.approx(point["lag_days"], abs=1e-3)


@pytest.mark.parametrize("biot", [None, 0.8])
def test_the_recursion_keeps_the_same_share(biot: float | None) -> None:
    """Ten years of a pure sine in sixteen steps a day; the last year fitted by least squares."""
    slab, turn = leaf(biot), 2 * np.pi / 365.25
    time = np.arange(1, 16 * 3653) / 16
    mean = run(slab, 0.0, np.sin(turn * (time - 1 / 32)), 20.0, 1 / 16)[-5844:]
    wave = np.column_stack([np.sin(turn * time), np.cos(turn * time)])[-5844:]
    sine, cosine = np.linalg.lstsq(wave, mean, rcond=None)[0]
    found = cycle(slab, 365.25)
    assert np.hypot(sine, cosine) == pytest.approx(found.gain, abs=1e-5)
    assert -np.arctan2(cosine, sine) / turn == pytest.approx(found.lag_days, abs=1e-3)


@pytest.mark.parametrize(("biot", "tau"), [(2.0, 96.7), (0.8, 179.2), (0.2, 598.6)])
def test_one_mode_behind_a_film(biot: float, tau: float) -> None:
    """Tau is l^2 / (D b^2), near (l^2 / D)(1 / Bi + 1 / 3); one mode is within 2 % of all."""
    assert time_constant_days(leaf(biot)) == pytest.approx(tau, abs=0.05)
    assert time_constant_days(leaf(biot)) == pytest.approx(27.0**2 / 6.5 * (1 / biot + 1 / 3), rel=0.04)
    one, phase = first_order_cycle(leaf(biot), 365.25), 2 * np.pi / 365.25 * tau
    assert one.gain == pytest.approx(1 / np.sqrt(1 + phase**2), rel=5e-4)
    assert one.gain == pytest.approx(cycle(leaf(biot), 365.25).gain, rel=0.02)
    assert np.tan(one.lag_days * 2 * np.pi / 365.25) == pytest.approx(phase, rel=1e-3)


def test_refuses() -> None:
    with refuses(OutOfRangeError, asked="cycle of the air", needed="above 0 days", came="0"):
        cycle(leaf(0.8), 0.0)
    with refuses(OutOfRangeError, asked="leaf as one mode", needed="film", came="bare wood"):
        first_order_cycle(leaf(None), 365.25)
