"""Two doors by their daily difference alone: what the one model of both is measured against."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.trend.answer import PLUGGED_IN, Z_95, Decomposition, Fit
from server.trend.columns import Columns, creep_column
from server.trend.compare import Comparison
from server.trend.contrasts import lasting_contrasts
from server.trend.likelihood import Model, Noise, Solved, solved
from server.trend.noise import fitted_noise, with_noise
from server.trend.series import DAYS_PER_YEAR, DoorFacts

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

FIRST_YEAR_DAYS, SECOND_YEAR_DAYS = 365, 730
WIDEST = 0.14
ITERATIONS = 20
SLOPE_START = 0.2
CREEP_SD = 0.06 * 1.4
MEDIANS_TIMES = (1.4, 1.2, 1.0, 1.2, 1.2)
"""Noise of a difference, over that of one door: white, ar, ar days, level, slope."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shared:
    """The days that both have, b less a, over the scale; arrays of shape (days,) and (days, columns)."""

    y: FloatArray
    columns: Columns
    settled: int
    mean_growth: FloatArray
    """What creep's prior mean adds to the difference, of the two doors' own ages."""


def compare(
    a: Decomposition, b: Decomposition, door: DoorFacts, *, later_days: int = 0, noise: Noise | None = None
) -> Comparison:
    """How much faster b moves than a, from the days both have; b was hung `later_days` after a.

    door: what is declared of the gauges, whose scale both share. noise: that of an earlier night, kept; else
    it is fitted. Refused under a year shared, where the interval is too wide, or the season hides either.
    """
    if a.fit is None or b.fit is None or "season" in (a.reason, b.reason):
        worse = a if a.fit is None or a.reason == "season" else b
        return Comparison(status="refused", reason=worse.reason)
    day = np.intersect1d(a.day, b.day + later_days)
    age = 0 if day.size == 0 else int(day[-1] - day[0])
    if age < FIRST_YEAR_DAYS:
        return Comparison(status="refused", reason="first_year", days_shared=int(day.size))
    shared = _shared(a.fit, b.fit, day, later_days)
    model = Model(slope_start_sd=SLOPE_START)
    model = with_noise(model, noise or _noise(shared, door, model))
    fit = solved(shared.y, shared.columns.values, shared.columns.prior_sd, model)
    apart, error = _rate(fit, shared)
    drift_a, drift_b = (each.interval.drift if each.interval else 0.0 for each in (a, b))
    drift = float(np.hypot(drift_a, drift_b))
    half = Z_95 * float(np.hypot(PLUGGED_IN * error * door.scale, drift))
    if half > WIDEST * door.scale:
        return Comparison(status="refused", reason="wide", days_shared=int(day.size))
    early = age < SECOND_YEAR_DAYS
    return Comparison(
        status="provisional" if early else "served",
        reason="second_year" if early else None,
        difference=apart * door.scale,
        low=apart * door.scale - half,
        high=apart * door.scale + half,
        days_shared=int(day.size),
    )


def _noise(shared: _Shared, door: DoorFacts, model: Model) -> Noise:
    usual = Noise(white=door.white / door.scale, ar=door.ar / door.scale)
    white, ar, ar_days, level, slope = MEDIANS_TIMES
    medians = Noise(
        white=usual.white * white,
        ar=usual.ar * ar,
        ar_days=usual.ar_days * ar_days,
        level_per_sqrt_year=usual.level_per_sqrt_year * level,
        slope_per_year_per_sqrt_year=usual.slope_per_year_per_sqrt_year * slope,
    )
    return fitted_noise(
        shared.y, shared.columns, medians=medians, start=medians, iterations=ITERATIONS, model=model
    )


def _shared(a: Fit, b: Fit, day: IntArray, later_days: int) -> _Shared:
    """day: in the days of a. The columns of both, but one for creep and one for temperature, those of b."""
    of_a, of_b = np.isin(a.day, day), np.isin(b.day + later_days, day)
    ours = [place for place, name in enumerate(a.columns.names) if name not in {"creep", "temperature"}]
    prior_sd = b.columns.prior_sd.copy()
    prior_sd[b.columns.creep] = CREEP_SD
    columns = Columns(
        values=np.column_stack([b.columns.values[of_b], a.columns.values[of_a][:, ours]]),
        prior_sd=np.concatenate([prior_sd, a.columns.prior_sd[ours]]),
        names=(*b.columns.names, *(f"a:{a.columns.names[place]}" for place in ours)),
        parts=(*b.columns.parts, *(a.columns.parts[place] for place in ours)),
        means=b.columns.means,
        moisture_pct=b.columns.moisture_pct[of_b],
        creep_mean=b.columns.creep_mean,
    )
    settled = max(int(a.day[a.settled]), int(b.day[b.settled]) + later_days)
    return _Shared(
        y=_seen(b)[of_b] - _seen(a)[of_a],
        columns=columns,
        settled=int(np.searchsorted(day, min(settled, int(day[-1]) - 1))),
        mean_growth=columns.creep_mean * (creep_column(day - later_days) - creep_column(day)),
    )


def _seen(fit: Fit) -> FloatArray:
    """The series that was fitted; NaN on unseen days and outliers."""
    y = fit.solved.residual + fit.columns.values @ fit.solved.coefficients
    return np.where(fit.solved.factor.observed, y, np.nan)


def _rate(fit: Solved, shared: _Shared) -> tuple[float, float]:
    """Mean difference a year and its standard error, over the scale."""
    days = shared.y.size
    years = (days - 1 - shared.settled) / DAYS_PER_YEAR
    creep = shared.columns.values[:, shared.columns.creep]
    of_columns = np.zeros((len(shared.columns.names), 1))
    of_columns[shared.columns.creep] = creep[-1] - creep[shared.settled]
    reference = (np.arange(days) == shared.settled).astype(float)
    asked = lasting_contrasts(fit, upto=np.array([days - 1]), reference=reference, of_columns=of_columns)
    known = (shared.mean_growth[-1] - shared.mean_growth[shared.settled]) / years
    return float(asked.mean[0]) / years + float(known), float(asked.standard_errors()[0]) / years
