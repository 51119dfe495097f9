"""One series split into what the season takes back and what stays, with the rate of what stays.

The noise stands at its prior medians, the slab at the usual cell; steps are those that were declared.
"""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from server.timber.slab import Cell
from server.trend.climate import Climate, whole_climate
from server.trend.columns import CREEP_MEAN, USUAL_CELL, Columns, Means, made_columns, nearest_cell
from server.trend.contrasts import Contrasts, LastDay, last_day, lasting_contrasts
from server.trend.likelihood import Model, Noise, Solved, solved
from server.trend.outliers import outlying
from server.trend.series import Daily, DoorFacts

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

Status = Literal["refused", "provisional", "served"]

Z_95 = 1.96
PLUGGED_IN = 1.15
"""Pays for noise and slab being taken as known."""
FIRST_YEAR_DAYS, SECOND_YEAR_DAYS, FEWEST_OBSERVED = 365, 730, 180
FIT_DAYS, FIT_OBSERVED, FIT_SETTLED = 120, 60, 30
WORST_COLLINEARITY = 4.0
SECULAR_SE_DAYS = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """What the half-width of the rate's 95 % interval is made of, in the gauge's unit a year."""

    half_width: float
    process: float
    """Standard error of the rate, with the allowance for what was plugged in."""
    drift: float
    """Declared standard deviation of the gauge's drift."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A sudden lasting shift, in the gauge's unit."""

    day: int
    size: float
    standard_error: float
    declared: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Posterior:
    """Joint posterior of (level, slope, ar, coefficients) on the last day, of the series over its scale."""

    mean: FloatArray
    covariance: FloatArray
    columns: tuple[str, ...]
    """Names of the coefficients, in order; creep's holds its prior mean."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What the nights until the next refit need of this fit; noise is of the series over its scale."""

    means: Means
    cell: Cell
    noise: Noise
    steps: tuple[int, ...]
    origin: float
    scale: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """The solved series, divided by its scale and counted from its origin, with its columns."""

    solved: Solved
    columns: Columns
    day: IntArray
    settled: int
    """Place of the day from which the rate counts."""
    origin: float
    scale: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Decomposition:
    """A series' parts and the rate of its lasting part, in the gauge's own unit and years of 365.25 days.

    Where nothing was fitted (under 120 days, under 60 observed, no climate) all but the refusal is empty.
    """

    status: Status
    reason: str | None
    """no_readings, no_climate, first_year, too_few_days, season, wide; second_year where provisional."""
    needed: float | None
    came: float | None
    """The two numbers of the reason: days, observed days, collinearity or half-width."""
    day: IntArray
    outliers: BoolArray
    observed_days: int
    rate: float | None = None
    """Mean growth a year of the lasting part from the settled day to the last; None where refused."""
    rate_low: float | None = None
    rate_high: float | None = None
    interval: Interval | None = None
    collinearity: float | None = None
    """Standard error of the rate over what it would be with the season known; near 1 is told apart."""
    slope_now: float | None = None
    slope_now_se: float | None = None
    steps: tuple[Step, ...] = ()
    parts: dict[str, FloatArray] = field(default_factory=dict)
    """Daily arrays that add up to the fitted series.

    secular, wander, steps, moisture, temperature, transient, noise.
    """
    secular_se_day: IntArray | None = None
    secular_se: FloatArray | None = None
    """Standard error of the lasting part less its value on the settled day."""
    posterior: Posterior | None = None
    noise: Noise | None = None
    slab_days: float | None = None
    biot: float | None = None
    loglik: float | None = None
    moisture_pct: FloatArray | None = None
    """Mean moisture of the slab, daily."""
    kept: Kept | None = None
    fit: Fit | None = None


@dataclass(frozen=True, slots=True)
class _Verdict:
    status: Status
    reason: str | None = None
    needed: float | None = None
    came: float | None = None


def decompose(daily: Daily, door: DoorFacts, *, through: int | None = None) -> Decomposition:
    """Split a series, of its days up to and with day `through`.

    The ages count from the first day handed in. Too little to know is a refusal in the answer, not an error.
    Raises SeriesError for `through` before the first day.
    """
    record = daily if through is None else daily.up_to(through)
    climate = whole_climate(record.day, record.temp_c, record.rh_pct)
    if np.isnan(record.value).all():
        return _unfitted(record, _Verdict("refused", "no_readings", FEWEST_OBSERVED, 0), observed=0)
    if climate is None:
        observed = int(np.isfinite(record.value).sum())
        return _unfitted(record, _Verdict("refused", "no_climate", FIRST_YEAR_DAYS, 0), observed=observed)
    value = np.where(climate.masked, np.nan, record.value)
    observed, days = int(np.isfinite(value).sum()), value.size
    early = _too_early(int(record.day[-1] - record.day[0]), observed)
    settled = _settled_place(record.day, door.settled_day)
    if days < max(FIT_DAYS, settled + FIT_SETTLED) or observed < FIT_OBSERVED:
        came = _Verdict("refused", "first_year", settled + FIT_SETTLED, days)
        return _unfitted(record, early or came, observed=observed)
    fit, outliers = _fitted(record.day, value, climate, door)
    return _answer(fit, outliers, door, early=early, observed=observed)


def _too_early(age_days: int, observed: int) -> _Verdict | None:
    if age_days < FIRST_YEAR_DAYS:
        return _Verdict("refused", "first_year", FIRST_YEAR_DAYS, age_days)
    if observed < FEWEST_OBSERVED:
        return _Verdict("refused", "too_few_days", FEWEST_OBSERVED, observed)
    return None


def _unfitted(record: Daily, verdict: _Verdict, *, observed: int) -> Decomposition:
    return Decomposition(
        status=verdict.status,
        reason=verdict.reason,
        needed=verdict.needed,
        came=verdict.came,
        day=record.day,
        outliers=np.zeros(record.day.size, dtype=bool),
        observed_days=observed,
    )


def _settled_place(day: IntArray, settled_day: int) -> int:
    """Place of the settled day; a record that starts late settles anew, one that starts after it does not."""
    first = int(day[0])
    return 0 if first > settled_day else max(settled_day - first, settled_day)


def _fitted(day: IntArray, value: FloatArray, climate: Climate, door: DoorFacts) -> tuple[Fit, BoolArray]:
    steps = tuple(sorted({step for step in door.declared_steps if day[0] < step <= day[-1]}))
    columns = made_columns(day, climate, nearest_cell(USUAL_CELL), steps)
    # The level starts diffuse, so an origin costs nothing and keeps the sums small.
    origin = float(np.nanmedian(value))
    y = (value - origin) / door.scale - CREEP_MEAN * columns.values[:, columns.creep]
    model = Model(noise=Noise(white=door.white / door.scale, ar=door.ar / door.scale))
    first = solved(y, columns.values, columns.prior_sd, model)
    outliers = outlying(np.where(np.isfinite(y), first.residual, np.nan))
    fit = Fit(
        solved=solved(np.where(outliers, np.nan, y), columns.values, columns.prior_sd, model)
        if outliers.any()
        else first,
        columns=columns,
        day=day,
        settled=_settled_place(day, door.settled_day),
        origin=origin,
        scale=door.scale,
    )
    return fit, outliers


def _answer(
    fit: Fit, outliers: BoolArray, door: DoorFacts, *, early: _Verdict | None, observed: int
) -> Decomposition:
    grown, last = _growth(fit), last_day(fit.solved)
    rate, interval, collinearity = _rate(fit, grown, drift=door.drift_per_year)
    half = interval.half_width
    verdict = early or _verdict(fit.day, collinearity=collinearity, half=half, widest=door.widest)
    given = verdict.status != "refused"
    return Decomposition(
        status=verdict.status,
        reason=verdict.reason,
        needed=verdict.needed,
        came=verdict.came,
        day=fit.day,
        outliers=outliers,
        observed_days=observed,
        rate=rate if given else None,
        rate_low=rate - half if given else None,
        rate_high=rate + half if given else None,
        interval=interval,
        collinearity=collinearity,
        slope_now=float(last.mean[1]) * fit.scale,
        slope_now_se=float(np.sqrt(last.covariance[1, 1])) * fit.scale,
        steps=_steps(fit),
        parts=_parts(fit),
        secular_se_day=fit.day[_secular_places(fit)],
        secular_se=grown.standard_errors()[:-1] * fit.scale,
        posterior=_posterior(fit, last),
        noise=_own_unit(fit.solved.factor.model.noise, fit.scale),
        slab_days=nearest_cell(USUAL_CELL).tau_days,
        biot=nearest_cell(USUAL_CELL).biot,
        loglik=fit.solved.loglik,
        moisture_pct=fit.columns.moisture_pct,
        kept=_kept(fit),
        fit=fit,
    )


def _rate(fit: Fit, grown: Contrasts, *, drift: float) -> tuple[float, Interval, float]:
    """Rate, its interval, and how much of its error the season costs."""
    years = (fit.day.size - 1 - fit.settled) * fit.solved.factor.model.step_years
    known = fit.columns.of_part("moisture", "temperature")
    error = float(grown.standard_errors()[-1])
    process = PLUGGED_IN * error * fit.scale / years
    interval = Interval(half_width=Z_95 * float(np.hypot(process, drift)), process=process, drift=drift)
    return (
        float(grown.mean[-1]) * fit.scale / years,
        interval,
        error / float(grown.standard_errors_knowing(known)[-1]),
    )


def _verdict(day: IntArray, *, collinearity: float, half: float, widest: float) -> _Verdict:
    if collinearity > WORST_COLLINEARITY:
        return _Verdict("refused", "season", WORST_COLLINEARITY, collinearity)
    if half > widest:
        return _Verdict("refused", "wide", widest, half)
    age = int(day[-1] - day[0])
    if age < SECOND_YEAR_DAYS:
        return _Verdict("provisional", "second_year", SECOND_YEAR_DAYS, age)
    return _Verdict("served")


def _secular_places(fit: Fit) -> NDArray[np.int64]:
    return np.arange(0, fit.day.size, SECULAR_SE_DAYS)


def _growth(fit: Fit) -> Contrasts:
    """Lasting part less its value on the settled day: every 30 days, then on the last."""
    upto = np.append(_secular_places(fit), fit.day.size - 1)
    reference = (np.arange(fit.day.size) == fit.settled).astype(float)
    creep = fit.columns.values[:, fit.columns.creep]
    of_columns = np.zeros((len(fit.columns.names), upto.size))
    of_columns[fit.columns.creep] = creep[upto] - creep[fit.settled]
    grown = lasting_contrasts(fit.solved, upto=upto, reference=reference, of_columns=of_columns)
    return Contrasts(
        mean=grown.mean + CREEP_MEAN * of_columns[fit.columns.creep],
        states_share=grown.states_share,
        leverage=grown.leverage,
        covariance=grown.covariance,
    )


def _steps(fit: Fit) -> tuple[Step, ...]:
    errors = np.sqrt(np.diag(fit.solved.covariance))
    return tuple(
        Step(
            day=int(name.removeprefix("step@")),
            size=float(fit.solved.coefficients[place]) * fit.scale,
            standard_error=float(errors[place]) * fit.scale,
            declared=True,
        )
        for place, name in enumerate(fit.columns.names)
        if fit.columns.parts[place] == "steps"
    )


def _parts(fit: Fit) -> dict[str, FloatArray]:
    level, slope, ar = fit.solved.smoothed().T
    lasting = level[0] + fit.solved.factor.model.step_years * np.concatenate([[0.0], np.cumsum(slope[:-1])])
    creep = CREEP_MEAN * fit.columns.values[:, fit.columns.creep]
    states = {"secular": lasting + creep + fit.origin / fit.scale, "wander": level - lasting, "noise": ar}
    names = ("secular", "wander", "steps", "moisture", "temperature", "transient", "noise")
    parts = {}
    for name in names:
        chosen = fit.columns.of_part(name)
        explained = fit.columns.values[:, chosen] @ fit.solved.coefficients[chosen]
        parts[name] = fit.scale * (explained + states.get(name, 0.0))
    return parts


def _posterior(fit: Fit, last: LastDay) -> Posterior:
    mean = last.mean.copy()
    mean[0] += fit.origin / fit.scale
    mean[fit.solved.factor.model.states + fit.columns.creep] += CREEP_MEAN
    return Posterior(mean=mean, covariance=last.covariance, columns=fit.columns.names)


def _own_unit(noise: Noise, scale: float) -> Noise:
    return Noise(
        white=noise.white * scale,
        ar=noise.ar * scale,
        ar_days=noise.ar_days,
        level_per_sqrt_year=noise.level_per_sqrt_year * scale,
        slope_per_year_per_sqrt_year=noise.slope_per_year_per_sqrt_year * scale,
    )


def _kept(fit: Fit) -> Kept:
    return Kept(
        means=fit.columns.means,
        cell=nearest_cell(USUAL_CELL),
        noise=fit.solved.factor.model.noise,
        steps=tuple(step.day for step in _steps(fit)),
        origin=fit.origin,
        scale=fit.scale,
    )
