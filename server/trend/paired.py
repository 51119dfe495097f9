"""Two doors compared: both series in one model, in which what the two share is found and cancels.

A building that moves or a sensor that errs moves both; how much of each noise is shared is fitted. With
nothing shared the answer is one rate less the other, with much it is that of their daily difference, and the
season of each door is still learned from its own days.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.errors import OutOfRangeError
from server.trend.answer import PLUGGED_IN, Z_95, Decomposition, Fit
from server.trend.columns import CREEP_MEAN, Columns
from server.trend.compare import Comparison
from server.trend.likelihood import Noise
from server.trend.series import DAYS_PER_YEAR, DoorFacts
from server.trend.together import SLOPES, STATES, Shares, Two, contrast, fitted_shares, solved_together

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

FIRST_YEAR_DAYS, SECOND_YEAR_DAYS = 365, 730
WIDEST = 0.14
SLOPE_START = 0.15
POWER_YEARS, POWER_MM_PER_YEAR = (2.0, 3.0, 5.0), (0.14, 0.12, 0.09)


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One door's series as it is compared: over its scale, with its columns and its own noise."""

    day: IntArray
    y: FloatArray
    """Without creep's prior mean; NaN on unseen days."""
    columns: Columns
    noise: Noise
    settled: int
    """Place of the day from which its rate counts."""
    drift_per_year: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shared:
    """The days from the first to the last that both have, and where in them the rate begins to count."""

    two: Two
    settled: int
    creep: tuple[FloatArray, FloatArray]
    """Each one's creep column."""
    creep_places: tuple[int, int]
    """Where their coefficients stand among those of both."""


def compare(
    a: Decomposition, b: Decomposition, door: DoorFacts, *, later_days: int = 0, shares: Shares | None = None
) -> Comparison:
    """How much faster b moves than a, from the days both have; b was hung `later_days` after a.

    door: what is declared of the gauges, whose scale both share. shares: those of an earlier night, kept;
    else they are fitted. Refused under a year shared, where the interval is too wide, or the season hides
    either.
    """
    if a.fit is None or b.fit is None or "season" in (a.reason, b.reason):
        worse = a if a.fit is None or a.reason == "season" else b
        return Comparison(status="refused", reason=worse.reason)
    drifts = (each.interval.drift if each.interval else 0.0 for each in (a, b))
    sides = tuple(_side(fit, drift) for fit, drift in zip((a.fit, b.fit), drifts, strict=True))
    return compare_sides(sides[0], sides[1], door, later_days=later_days, shares=shares)


def compare_sides(
    a: Side,
    b: Side,
    door: DoorFacts,
    *,
    later_days: int = 0,
    shares: Shares | None = None,
    weights: tuple[float, float] = (1.0, 1.0),
) -> Comparison:
    """As `compare`, of two series that need not have been solved each by itself.

    weights: what each rate is multiplied by before they are taken apart.
    """
    first = max(int(a.day[0]), int(b.day[0]) + later_days)
    age = min(int(a.day[-1]), int(b.day[-1]) + later_days) - first
    if age < FIRST_YEAR_DAYS:
        return Comparison(status="refused", reason="first_year", days_shared=max(age + 1, 0))
    shared = _shared(a, b, later_days)
    found = shares or fitted_shares(shared.two)
    apart, error = _rate(shared, found, weights)
    drift = float(np.hypot(weights[0] * a.drift_per_year, weights[1] * b.drift_per_year))
    half = Z_95 * float(np.hypot(PLUGGED_IN * error * door.scale, drift))
    if half > WIDEST * door.scale * float(np.sqrt(weights[0] * weights[1])):
        return Comparison(status="refused", reason="wide", days_shared=age + 1, shares=found)
    early = age < SECOND_YEAR_DAYS
    return Comparison(
        status="provisional" if early else "served",
        reason="second_year" if early else None,
        difference=apart * door.scale,
        low=apart * door.scale - half,
        high=apart * door.scale + half,
        days_shared=age + 1,
        shares=found,
    )


def power_mm_per_year(years: float) -> float:
    """The difference of two sags that is seen in 4 of 5 cases after so many shared years, 2 or more.

    From 5 years on as at 5. Raises OutOfRangeError below 2 years.
    Source: 30 simulated pairs with unlike joints, by this project.
    """
    if not years >= POWER_YEARS[0]:
        raise OutOfRangeError("difference that would be seen", "2 shared years or more", f"{years:g}")
    return float(np.interp(years, POWER_YEARS, POWER_MM_PER_YEAR))


def _side(fit: Fit, drift_per_year: float) -> Side:
    y = fit.solved.residual + fit.columns.values @ fit.solved.coefficients
    return Side(
        day=fit.day,
        y=np.where(fit.solved.factor.observed, y, np.nan),
        columns=fit.columns,
        noise=fit.solved.factor.model.noise,
        settled=fit.settled,
        drift_per_year=drift_per_year,
    )


def _shared(a: Side, b: Side, later_days: int) -> _Shared:
    first = max(int(a.day[0]), int(b.day[0]) + later_days)
    days = min(int(a.day[-1]), int(b.day[-1]) + later_days) - first + 1
    from_a, from_b = first - int(a.day[0]), first - int(b.day[0]) - later_days
    of_a, of_b = slice(from_a, from_a + days), slice(from_b, from_b + days)
    settled = max(int(a.day[a.settled]), int(b.day[b.settled]) + later_days)
    return _Shared(
        two=Two(
            y=np.column_stack([a.y[of_a], b.y[of_b]]),
            columns=(a.columns.values[of_a], b.columns.values[of_b]),
            prior_sd=np.concatenate([a.columns.prior_sd, b.columns.prior_sd]),
            noise=(a.noise, b.noise),
            step_years=1.0 / DAYS_PER_YEAR,
            slope_start_sd=SLOPE_START,
        ),
        settled=min(settled - first, days - 2),
        creep=(a.columns.values[of_a, a.columns.creep], b.columns.values[of_b, b.columns.creep]),
        creep_places=(a.columns.creep, len(a.columns.names) + b.columns.creep),
    )


def _rate(shared: _Shared, shares: Shares, weights: tuple[float, float]) -> tuple[float, float]:
    """Mean difference a year of the weighed rates and its standard error, over the scale."""
    two, settled = shared.two, shared.settled
    days = two.y.shape[0]
    years = (days - 1 - settled) * two.step_years
    place = np.arange(days)
    weight = ((place >= settled) & (place < days - 1)) / (days - 1 - settled)
    of_states = np.zeros((days, STATES))
    signed = -weights[0], weights[1]
    of_states[:, SLOPES] = np.outer(weight, signed)
    grown = [
        times * (creep[-1] - creep[settled]) / years
        for times, creep in zip(signed, shared.creep, strict=True)
    ]
    of_columns = np.zeros(two.prior_sd.size)
    of_columns[list(shared.creep_places)] = grown
    apart, error = contrast(solved_together(two, shares), of_states.ravel(), of_columns)
    return apart + CREEP_MEAN * float(sum(grown)), error
