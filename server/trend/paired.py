"""Two doors compared: both series in one model, in which what the two share is found and cancels.

A building that moves or a sensor that errs moves both; how much of each noise is shared is fitted. With
nothing shared the answer is one rate less the other, with much it is that of their daily difference, and the
season of each door is still learned from its own days.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from server.trend.answer import PLUGGED_IN, Z_95, Decomposition, Fit
from server.trend.columns import Columns
from server.trend.compare import ByOpenings, Comparison, Told
from server.trend.likelihood import Noise
from server.trend.series import DAYS_PER_YEAR, DoorFacts
from server.trend.together import (
    SLOPES,
    STATES,
    Shares,
    Two,
    TwoSolved,
    contrast,
    fitted_shares,
    solved_together,
)
from server.trend.trial_use import tells_openings_from_time

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

FIRST_YEAR_DAYS, SECOND_YEAR_DAYS = 365, 730
WIDEST = 0.14
SLOPE_START = 0.15
OPENINGS, OPENINGS_SD = "openings", 1.0
"""Prior, over the scale, of what a mean year's openings move: wide, so that the readings alone tell."""


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
    openings: FloatArray | None = None
    """Of the door, all that were up to each of its days, in ten thousands; None where nobody counts them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shared:
    """The days from the first to the last that both have, and where in them the rate begins to count."""

    two: Two
    settled: int
    creep: tuple[FloatArray, FloatArray]
    """Each one's creep column."""
    creep_places: tuple[int, int]
    """Where their coefficients stand among those of both."""
    creep_means: tuple[float, float]
    """Their prior means."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Weighed:
    """How the rates are weighed, in which unit they are told, and with what error of the gauges."""

    shares: Shares
    weights: tuple[float, float]
    scale: float
    drift: float

    def half(self, error: float, drift: float) -> float:
        """Half-width of a 95 % interval in the unit, from a standard error over the scale."""
        return Z_95 * float(np.hypot(PLUGGED_IN * error * self.scale, drift))

    def told(self, value: float, error: float, drift: float) -> Told:
        """A figure over the scale, in the unit and with its interval."""
        middle, half = value * self.scale, self.half(error, drift)
        return Told(value=middle, low=middle - half, high=middle + half)


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

    weights: what each rate is multiplied by before they are taken apart. With the openings of both it is
    told besides what goes with those.
    """
    first = max(int(a.day[0]), int(b.day[0]) + later_days)
    age = min(int(a.day[-1]), int(b.day[-1]) + later_days) - first
    if age < FIRST_YEAR_DAYS:
        return Comparison(status="refused", reason="first_year", days_shared=max(age + 1, 0))
    shared = _shared(a, b, later_days)
    found = shares or fitted_shares(shared.two)
    drift = float(np.hypot(weights[0] * a.drift_per_year, weights[1] * b.drift_per_year))
    weighed = _Weighed(shares=found, weights=weights, scale=door.scale, drift=drift)
    apart, error = _rate(shared, solved_together(shared.two, found), weights)
    half = weighed.half(error, drift)
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
        by_openings=_by_openings((a, b), later_days, weighed, error_without=error),
    )


def _by_openings(
    sides: tuple[Side, Side], later_days: int, weighed: _Weighed, *, error_without: float
) -> ByOpenings | None:
    """The same days solved once more with each door's openings as a column of its own."""
    counted = [_with_openings(one, one.openings) for one in sides if one.openings is not None]
    if len(counted) < 2:
        return None
    shared = _shared(counted[0], counted[1], later_days)
    solved = solved_together(shared.two, weighed.shares)
    apart, error = _rate(shared, solved, weighed.weights)
    ratio = error / error_without
    if not tells_openings_from_time(se_with=error, se_without=error_without):
        return ByOpenings(ratio=ratio)
    columns = shared.two.columns[0].shape[1]
    # Its columns come last in each. A gauge that drifts goes with the years: no drift in what these move.
    moved = [
        weighed.told(*_of_column(solved, place, weight), drift=0.0)
        for place, weight in zip((columns - 1, shared.two.prior_sd.size - 1), weighed.weights, strict=True)
    ]
    difference = weighed.told(apart, error, weighed.drift)
    return ByOpenings(ratio=ratio, difference=difference, a=moved[0], b=moved[1])


def _with_openings(side: Side, openings: FloatArray) -> Side:
    years = (side.day.size - 1) / DAYS_PER_YEAR
    a_year = float(openings[-1] - openings[0]) / years
    columns = replace(
        side.columns,
        values=np.column_stack([side.columns.values, openings]),
        prior_sd=np.append(side.columns.prior_sd, OPENINGS_SD / a_year),
        names=(*side.columns.names, OPENINGS),
        parts=(*side.columns.parts, OPENINGS),
    )
    return replace(side, columns=columns)


def _of_column(solved: TwoSolved, place: int, weight: float) -> tuple[float, float]:
    """A coefficient and its standard error, weighed."""
    of_columns = np.zeros(solved.two.prior_sd.size)
    of_columns[place] = weight
    return contrast(solved, np.zeros(solved.two.y.shape[0] * STATES), of_columns)


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
        creep_means=(a.columns.creep_mean, b.columns.creep_mean),
    )


def _rate(shared: _Shared, solved: TwoSolved, weights: tuple[float, float]) -> tuple[float, float]:
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
    apart, error = contrast(solved, of_states.ravel(), of_columns)
    return apart + float(np.dot(shared.creep_means, grown)), error
