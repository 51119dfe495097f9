"""Sorption: the moisture content that wood settles at in given air."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.errors import OutOfRangeError

# Wood Handbook FPL-GTR-190 (2010), eq. 4-5, degrees C. Each row: constant, T, T^2.
W = (349.0, 1.29, 0.0135)
K = (0.805, 0.000736, -0.00000273)
K1 = (6.27, -0.00938, -0.000303)
K2 = (1.91, 0.0407, -0.000293)

# ASHRAE Handbook of Fundamentals (2017), ch. 1, eq. 6 and 5: ln p, Pa; powers -1, 0, 1 ... of T, then ln T.
OVER_WATER = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 6.5459673)
OVER_ICE = (-5.6745359e3, 6.3925247, -9.677843e-3, 6.2215701e-7, 2.0747825e-9, -9.484024e-13, 4.1635019)
KELVIN_AT_0_C = 273.15
DEW_ABOVE_AIR_K = 0.5
ENOUGH_SAMPLES, ENOUGH_HOURS = 12, 18.0

COLDEST_C, HOTTEST_C = -40.0, 100.0
TABLE_COLDEST_C = -1.1
# Gauges overshoot at both ends by a little; what lies within is air, what lies beyond is a broken gauge.
DRIEST_PCT, DAMPEST_PCT = -0.5, 103.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AirFlags:
    """What is to be said of each reading of air, as boolean arrays of its shape."""

    saturated: NDArray[np.bool_]
    """Humidity above 100 %, taken as 100."""
    extrapolated: NDArray[np.bool_]
    """Colder than the published table; the equation's value stands unclamped."""
    refused: NDArray[np.bool_]
    """Outside what air can be: no moisture content is given."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DewFlags:
    """What is to be said of each dew point, as boolean arrays of its shape."""

    saturated: NDArray[np.bool_]
    """Dew point above the air by no more than a gauge's error: taken as 100 %."""
    refused: NDArray[np.bool_]
    """Further above the air, or outside -40 to 100 C: no humidity is given."""


def emc_pct(temp_c: ArrayLike, rh_pct: ArrayLike) -> NDArray[np.float64]:
    """Equilibrium moisture content, % of ovendry mass, of the shape that the two broadcast to.

    temp_c (-40 to 100) and rh_pct (0 to 100; -0.5 to 103 are taken as the nearer end) are numbers or arrays.
    NaN gives NaN. An element of an array outside the ranges gives NaN, and `air_flags` says which.
    Raises OutOfRangeError for a single number outside them.
    Source: Wood Handbook FPL-GTR-190 (2010), ch. 4, eq. 4-5 (Hailwood and Horrobin, two hydrates).
    """
    temp, rh = np.broadcast_arrays(np.asarray(temp_c, dtype=float), np.asarray(rh_pct, dtype=float))
    if temp.ndim == 0:
        _require("air temperature, C", float(temp), low=COLDEST_C, high=HOTTEST_C)
        _require("relative humidity, %", float(rh), low=DRIEST_PCT, high=DAMPEST_PCT)
    outside = air_flags(temp, rh).refused
    temp, rh = np.where(outside, np.nan, temp), np.clip(rh, 0.0, 100.0)
    w, k, k1, k2 = (np.polynomial.Polynomial(row)(temp) for row in (W, K, K1, K2))
    kh = k * rh / 100.0
    hydrates = (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2)
    return np.asarray(1800.0 / w * (kh / (1 - kh) + hydrates))


def air_flags(temp_c: ArrayLike, rh_pct: ArrayLike) -> AirFlags:
    """Which readings of air are saturated, colder than the table, or no air at all; NaN is none of these."""
    temp, rh = np.broadcast_arrays(np.asarray(temp_c, dtype=float), np.asarray(rh_pct, dtype=float))
    return AirFlags(
        saturated=np.asarray((rh > 100.0) & (rh <= DAMPEST_PCT)),
        extrapolated=np.asarray((temp < TABLE_COLDEST_C) & (temp >= COLDEST_C)),
        refused=np.asarray((temp < COLDEST_C) | (temp > HOTTEST_C) | (rh < DRIEST_PCT) | (rh > DAMPEST_PCT)),
    )


def daily_emc_pct(
    temp_c: ArrayLike, rh_pct: ArrayLike, *, samples: ArrayLike, covered_h: ArrayLike
) -> NDArray[np.float64]:
    """Equilibrium moisture content of each day's mean air, shape (days,); NaN where the day is missing.

    `temp_c`, `rh_pct`: arithmetic means over the UTC day. A day counts with 12 samples that cover 18 hours.
    Means of days, not of hours or months: the three differ, and are never mixed within a door.
    """
    temp, rh, count, hours = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(given, dtype=float)) for given in (temp_c, rh_pct, samples, covered_h))
    )
    enough = (count >= ENOUGH_SAMPLES) & (hours >= ENOUGH_HOURS)
    return emc_pct(np.where(enough, temp, np.nan), np.where(enough, rh, np.nan))


def rh_for_emc(temp_c: float, mc_pct: float) -> float:
    """Relative humidity, %, at which wood in air of that temperature settles at `mc_pct`.

    Raises OutOfRangeError for a moisture content that no air of that temperature gives.
    Source: root of Wood Handbook FPL-GTR-190 (2010), eq. 4-5.
    """
    from scipy.optimize import brentq

    most = float(emc_pct(temp_c, 100.0))
    if not 0 <= mc_pct <= most:
        raise OutOfRangeError(f"humidity for moist wood at {temp_c:g} C", f"0 to {most:.2f} %", f"{mc_pct:g}")
    return float(brentq(lambda rh: float(emc_pct(temp_c, rh)) - mc_pct, 0.0, 100.0, xtol=1e-10))


def rh_from_dew_point_pct(
    temp_c: ArrayLike, dew_c: ArrayLike, *, over: Literal["water", "ice"] = "water"
) -> NDArray[np.float64]:
    """Relative humidity over liquid water, %, from air and dew point, of the shape they broadcast to.

    `over`: what a dew point below 0 C was measured over; most gauges report over water, a mirror over frost.
    NaN gives NaN, an element that is refused gives NaN too, and `dew_flags` says which.
    Raises OutOfRangeError for a single dew point more than 0.5 K above its air, or outside -40 to 100 C.
    """
    temp, dew = np.broadcast_arrays(np.asarray(temp_c, dtype=float), np.asarray(dew_c, dtype=float))
    refused = dew_flags(temp, dew).refused
    if temp.ndim == 0 and refused:
        needed = f"-40 to 100 C, at most {DEW_ABOVE_AIR_K:g} K above the air"
        raise OutOfRangeError(
            "humidity from a dew point", needed, f"{float(dew):g} in air of {float(temp):g}"
        )
    temp, dew = np.where(refused, np.nan, temp), np.where(refused, np.nan, dew)
    vapour = np.where((over == "ice") & (dew < 0), saturation_pa(dew, over="ice"), saturation_pa(dew))
    return np.asarray(np.minimum(100.0, 100.0 * vapour / saturation_pa(temp)))


def dew_flags(temp_c: ArrayLike, dew_c: ArrayLike) -> DewFlags:
    """Which dew points lie above their air, by a little or by too much; NaN is neither."""
    temp, dew = np.broadcast_arrays(np.asarray(temp_c, dtype=float), np.asarray(dew_c, dtype=float))
    outside = (np.minimum(temp, dew) < COLDEST_C) | (np.maximum(temp, dew) > HOTTEST_C)
    refused = (dew > temp + DEW_ABOVE_AIR_K) | outside
    return DewFlags(saturated=np.asarray((dew > temp) & ~refused), refused=np.asarray(refused))


def saturation_pa(temp_c: ArrayLike, *, over: Literal["water", "ice"] = "water") -> NDArray[np.float64]:
    """Pressure of saturated water vapour, Pa, over liquid water (also below 0 C) or over ice."""
    kelvin = KELVIN_AT_0_C + np.asarray(temp_c, dtype=float)
    *powers, log = OVER_WATER if over == "water" else OVER_ICE
    series = sum(factor * kelvin**power for power, factor in enumerate(powers, start=-1))
    return np.asarray(np.exp(series + log * np.log(kelvin)))


def _require(what: str, value: float, *, low: float, high: float) -> None:
    if value < low or value > high:
        raise OutOfRangeError(f"moisture content from {what}", f"{low:g} to {high:g}", f"{value:g}")
