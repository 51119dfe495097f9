"""Slab: how the middle of a finished leaf follows the air, mode by mode and exactly."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.errors import OutOfRangeError

FloatArray = NDArray[np.float64]

KELVIN_AT_0_C = 273.15
KELVIN_AT_20_C = 293.15
# (38 500 - 290 M) J/mol over the gas constant, at a moisture content M of 11 %; after Siau, from memory.
ACTIVATION_K = 4250.0
START_DAYS = 60
# To how much the moisture of a leaf is known when it is hung, in %: not read, and read by a meter.
# Conventions of this project. Source: joinery, section 7.
UNREAD_SD_PCT, METER_SD_PCT = 2.0, 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One slab: time constant of its slowest mode at 20 C, and how much its film holds back (Biot number)."""

    tau_days: float
    biot: float


def roots(biot: float, count: int) -> FloatArray:
    """First `count` positive roots of mu tan mu = biot, one in each (k pi, k pi + pi/2).

    Raises OutOfRangeError for a Biot number that is not positive.
    Source: Crank, The Mathematics of Diffusion, 2nd ed. (1975), sec. 4.3.6 and table 4.2.
    """
    from scipy.optimize import brentq

    if not (biot > 0 and np.isfinite(biot)):
        raise OutOfRangeError("roots of a slab", "a Biot number above 0", f"{biot:g}")

    # The form with the tangent has a pole at the bracket's end.
    def crossing(mu: float) -> float:
        return float(mu * np.sin(mu) - biot * np.cos(mu))

    found = [brentq(crossing, k * np.pi, (k + 0.5) * np.pi, xtol=1e-14) for k in range(count)]
    return np.array(found)


def weights(biot: float, mu: FloatArray) -> FloatArray:
    """Share of each mode in the slab's mean; over all roots they add up to 1. Source: Crank (1975), 4.3.6."""
    return np.asarray(2 * biot**2 / (mu**2 * (mu**2 + biot**2 + biot)))


def step_uptake(theta: ArrayLike, biot: float, *, modes: int = 400) -> FloatArray:
    """Share of a sudden change of air that the mean has taken up after theta = D t / l^2.

    l is half the thickness; theta any shape. Source: Crank (1975), eq. 4.53.
    """
    mu = roots(biot, modes)
    gone = np.exp(-np.multiply.outer(np.asarray(theta, dtype=float), mu**2))
    return np.asarray(1 - gone @ weights(biot, mu))


def temperature_factor(temp_c: ArrayLike) -> FloatArray:
    """How much faster moisture moves than at 20 C; film and wood are taken to share it."""
    kelvin = KELVIN_AT_0_C + np.asarray(temp_c, dtype=float)
    return np.asarray(np.exp(-ACTIVATION_K * (1 / kelvin - 1 / KELVIN_AT_20_C)))


def relaxed(air_pct: FloatArray, decay: FloatArray, start_pct: float) -> FloatArray:
    """States that close, each day, all but `decay` of their distance to that day's air.

    air_pct: shape (days,); decay: (days, states), within 0 to 1. Gives (days, states) at each day's end.
    Exact for air and temperature that are constant within the day.
    """
    from scipy.linalg.lapack import dtbtrs

    states = np.asfortranarray((1.0 - decay) * air_pct[:, None])
    states[:1] += start_pct * decay[:1]
    # each day's state less `decay` of the day before's is what arrives: two diagonals, solved forwards
    band = np.ones((2, air_pct.size))
    for place in range(decay.shape[1]):
        band[1, :-1] = -decay[1:, place]
        states[:, place] = dtbtrs(band, states[:, place], uplo="L", diag="U")[0]
    return states


def mean_moisture_pct(
    air_pct: FloatArray,
    temp_c: FloatArray,
    cells: tuple[Cell, ...],
    *,
    modes: int = 3,
    start_pct: float | None = None,
) -> FloatArray:
    """Daily mean moisture of one slab a cell: shape (days, cells), % of ovendry mass.

    air_pct: the equilibrium moisture content of each day; temp_c: each day's mean; no NaN in either.
    All modes start at `start_pct`; None: at the mean of the first 60 days. The modes kept are made to add up
    to 1.
    """
    mu = np.array([roots(cell.biot, modes) for cell in cells])
    share = np.array([weights(cell.biot, row) for cell, row in zip(cells, mu, strict=True)])
    per_day = (mu / mu[:, :1]) ** 2 / np.array([[cell.tau_days] for cell in cells])
    decay = np.exp(-np.multiply.outer(temperature_factor(temp_c), per_day.ravel()))
    begins = float(air_pct[:START_DAYS].mean()) if start_pct is None else start_pct
    states = relaxed(air_pct, decay, begins)
    kept = share / share.sum(axis=1, keepdims=True)
    return np.asarray(np.einsum("dcm,cm->dc", states.reshape(air_pct.size, len(cells), modes), kept))
