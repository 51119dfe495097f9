"""What a leaf keeps of a cycle of the air: how much of its swing, and how many days later."""

from dataclasses import dataclass

import numpy as np

from server.errors import OutOfRangeError
from server.timber.exact import Slab, mode_roots


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """Share of the air's swing that the mean moisture shows, and its lag behind the air."""

    gain: float
    lag_days: float


def cycle(slab: Slab, period_days: float) -> Cycle:
    """Mean moisture of the leaf against a sine of the air at 20 C.

    Raises OutOfRangeError for a period that is not above 0.
    Source: Crank (1975), sheet with surface evaporation, solved for a sine.
    """
    turn = _turn_per_day(period_days)
    root = np.sqrt(1j * turn * slab.half_thickness_mm**2 / slab.d20_mm2_per_day)
    held = 0.0 if slab.biot is None else root * np.tanh(root) / slab.biot
    answer = np.tanh(root) / (root * (1 + held))
    return Cycle(gain=float(abs(answer)), lag_days=float(-np.angle(answer) / turn))


def first_order_cycle(slab: Slab, period_days: float) -> Cycle:
    """The same by the slowest mode alone: good behind a film, poor on bare wood.

    Raises OutOfRangeError for a period that is not above 0, or for bare wood.
    """
    if slab.biot is None:
        raise OutOfRangeError("leaf as one mode", "a film (a Biot number)", "bare wood")
    turn = _turn_per_day(period_days)
    phase = turn * time_constant_days(slab)
    return Cycle(gain=float(1 / np.hypot(1, phase)), lag_days=float(np.arctan(phase) / turn))


def time_constant_days(slab: Slab) -> float:
    """Days in which the slowest mode closes 63 % of its distance to the air, at 20 C."""
    slowest = float(mode_roots(slab.biot, 1)[0])
    return slab.half_thickness_mm**2 / (slab.d20_mm2_per_day * slowest**2)


def _turn_per_day(period_days: float) -> float:
    if not period_days > 0:
        raise OutOfRangeError("cycle of the air", "a period above 0 days", f"{period_days:g}")
    return 2 * np.pi / period_days
