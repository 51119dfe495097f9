"""Air at the door, hour by hour: the weather outside, and what the heated workshop makes of it."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

from sensors.sources.simulated.draws import stream
from sensors.sources.simulated.weather import Weather

HOUR_MS = 3_600_000
WORKSHOP_C = 19.0
WORKSHOP_VAPOUR_PA = 60.0
_TWO_PI = 2.0 * math.pi
_YEAR_H = 8766  # 365.25 days


@dataclass(frozen=True, slots=True)
class Air:
    """Air of one hour on both faces of the door."""

    out_temp_c: float
    out_rh_pct: float
    in_temp_c: float
    in_rh_pct: float


def air_hours(*, seed: int, start_ms: int, weather: Weather | None = None) -> Iterator[Air]:
    """The air of each hour from the start on, without end.

    One sky stands over the whole yard: it depends on seed and start, not on the door. Seasons and hours of
    the day are those of the calendar (UTC), so midsummer is in July wherever the start lies.
    """
    outside = _modelled(seed, start_ms) if weather is None else _repeated(seed, start_ms, weather)
    for temp_c, rh_pct in outside:
        yield Air(temp_c, rh_pct, *inside(temp_c, rh_pct))


def inside(temp_c: float, rh_pct: float) -> tuple[float, float]:
    """Temperature (C) and relative humidity (%) in the heated workshop, from those outside."""
    in_c = max(temp_c + 1.0, WORKSHOP_C)
    vapour_pa = rh_pct / 100.0 * saturation_pa(temp_c) + WORKSHOP_VAPOUR_PA
    return in_c, min(95.0, 100.0 * vapour_pa / saturation_pa(in_c))


def saturation_pa(temp_c: float) -> float:
    """Saturation vapour pressure over water, Pa. Source: Magnus form, WMO-No. 8 (constants from memory)."""
    return 611.2 * math.exp(17.62 * temp_c / (243.12 + temp_c))


def _modelled(seed: int, start_ms: int) -> Iterator[tuple[float, float]]:
    rng = stream(seed, "weather")
    gauss = rng.gauss
    keep_t, keep_h = math.exp(-1.0 / 60.0), math.exp(-1.0 / 40.0)
    new_t, new_h = 2.2 * math.sqrt(1.0 - keep_t**2), 8.0 * math.sqrt(1.0 - keep_h**2)
    warm, damp = gauss(0.0, 2.2), gauss(0.0, 8.0)
    years = _years(seed)
    hour = hour_of_year(start_ms)
    year, (warm_year, damp_year) = 0, next(years)
    k = 0
    while True:
        if k // _YEAR_H > year:
            year, (warm_year, damp_year) = year + 1, next(years)
        season = math.cos(_TWO_PI * (hour / 24.0 - 201.0) / 365.25)
        of_day = math.cos(_TWO_PI * (hour % 24 - 15) / 24.0)
        temp_c = 10.6 + 6.2 * season + (2.0 + 1.2 * season) * of_day + warm + warm_year
        rh_pct = 81.0 - 4.5 * season - (6.0 + 2.0 * season) * of_day - 0.9 * warm + damp + damp_year
        yield temp_c, min(99.0, max(25.0, rh_pct))
        warm = keep_t * warm + gauss(0.0, new_t)
        damp = keep_h * damp + gauss(0.0, new_h)
        hour += 1
        k += 1


def _repeated(seed: int, start_ms: int, weather: Weather) -> Iterator[tuple[float, float]]:
    """The file end to end, each of its years a little warmer or damper than the last."""
    years = _years(seed)
    length = len(weather.temp_c)
    year, (warm_year, damp_year) = 0, next(years)
    at = hour_of_year(start_ms) - weather.first_hour
    k = 0
    while True:
        if k // _YEAR_H > year:
            year, (warm_year, damp_year) = year + 1, next(years)
        index = (at + k) % length
        yield weather.temp_c[index] + warm_year, min(100.0, max(1.0, weather.rh_pct[index] + damp_year))
        k += 1


def _years(seed: int) -> Iterator[tuple[float, float]]:
    rng = stream(seed, "years")
    while True:
        yield rng.gauss(0.0, 0.6), rng.gauss(0.0, 1.5)


def hour_of_year(start_ms: int) -> int:
    """Whole hours from the 1st of January of the start's year, UTC."""
    start = datetime.fromtimestamp(start_ms / 1000.0, tz=UTC)
    return int((start - datetime(start.year, 1, 1, tzinfo=UTC)).total_seconds()) // 3600
