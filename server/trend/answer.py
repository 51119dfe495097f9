"""What a fitted series says: its parts, the rate of what stays, and whether that may be told."""

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from server.timber.slab import Cell
from server.trend.columns import Columns, Means
from server.trend.contrasts import Contrasts, LastDay, last_day, lasting_contrasts
from server.trend.likelihood import Noise, Solved
from server.trend.series import DoorFacts

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

Status = Literal["refused", "provisional", "served"]

Z_95 = 1.96
PLUGGED_IN = 1.15
"""Pays for noise and slab being taken as known."""
SECOND_YEAR_DAYS = 730
WORST_COLLINEARITY = 4.0
SURE_ALL_THE_SAME = 0.5
"""Share of the widest half-width within which the season may cost what it will: a series nearly without
noise, as one told by many gauges together, has little error for the season to be large beside."""
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
    """Days of the steps that nobody declared."""
    origin: float
    scale: float
    through: int
    """Last day of the fit: what is missing of the climate is filled from the days up to it."""
    unseen: tuple[int, ...] = ()
    """Days whose reading is put aside."""


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
    cell: Cell
    declared: tuple[int, ...] = ()
    """Days of the steps that somebody logged, of those within the record."""


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
    """Daily arrays that add up to the fitted series, as if its gauge had not been set anew.

    secular, wander, steps, moisture, temperature, transient, noise.
    """
    rezeroed: tuple[int, ...] = ()
    """Days on which the gauge was set anew: steps of its own, which are in none of the parts."""
    anew: FloatArray | None = None
    """What these steps add to the series, daily."""
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
class Verdict:
    """Whether a rate is given, and the two numbers of the reason where it is not or only so far."""

    status: Status
    reason: str | None = None
    needed: float | None = None
    came: float | None = None


def answer(
    fit: Fit,
    outliers: BoolArray,
    door: DoorFacts,
    *,
    early: Verdict | None,
    observed: int,
    every_days: int | None = SECULAR_SE_DAYS,
) -> Decomposition:
    """What a fit says: its rate unless it is refused, its steps, its parts, and what the nights start from.

    outliers: shape (days,); early: a refusal for age or observed days, which goes first;
    every_days: how far apart the lasting part's errors are asked, most of a long record's cost; None: of no
    day but the last.
    """
    places = np.arange(0, fit.day.size if every_days else 0, every_days)
    grown, last = _growth(fit, places), last_day(fit.solved)
    rate, interval, collinearity = _rate(fit, grown, drift=door.drift_per_year)
    verdict = early or _verdict(fit.day, collinearity, half := interval.half_width, door.widest)
    given = verdict.status != "refused"
    return replace(
        _without_rate(fit, outliers, last, verdict, door.rezeroed),
        observed_days=observed,
        rate=rate if given else None,
        rate_low=rate - half if given else None,
        rate_high=rate + half if given else None,
        interval=interval,
        collinearity=collinearity,
        secular_se_day=fit.day[places],
        secular_se=grown.standard_errors()[:-1] * fit.scale,
    )


def _without_rate(
    fit: Fit, outliers: BoolArray, last: LastDay, verdict: Verdict, rezeroed: tuple[int, ...]
) -> Decomposition:
    anew = fit.columns.steps_on(rezeroed)
    return Decomposition(
        status=verdict.status,
        reason=verdict.reason,
        needed=verdict.needed,
        came=verdict.came,
        day=fit.day,
        outliers=outliers,
        observed_days=0,
        slope_now=float(last.mean[1]) * fit.scale,
        slope_now_se=float(np.sqrt(last.covariance[1, 1])) * fit.scale,
        steps=_steps(fit),
        parts=_parts(fit, ~anew),
        rezeroed=rezeroed,
        anew=fit.scale * (fit.columns.values[:, anew] @ fit.solved.coefficients[anew]),
        posterior=posterior(fit, last),
        noise=_own_unit(fit.solved.factor.model.noise, fit.scale),
        slab_days=fit.cell.tau_days,
        biot=fit.cell.biot,
        loglik=fit.solved.loglik,
        moisture_pct=fit.columns.moisture_pct,
        kept=_kept(fit, outliers),
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


def _verdict(day: IntArray, collinearity: float, half: float, widest: float) -> Verdict:
    if collinearity > WORST_COLLINEARITY and half > SURE_ALL_THE_SAME * widest:
        return Verdict("refused", "season", WORST_COLLINEARITY, collinearity)
    if half > widest:
        return Verdict("refused", "wide", widest, half)
    age = int(day[-1] - day[0])
    if age < SECOND_YEAR_DAYS:
        return Verdict("provisional", "second_year", SECOND_YEAR_DAYS, age)
    return Verdict("served")


def _growth(fit: Fit, places: IntArray) -> Contrasts:
    """Lasting part less its value on the settled day: on the places asked, then on the last."""
    upto = np.append(places, fit.day.size - 1)
    reference = (np.arange(fit.day.size) == fit.settled).astype(float)
    creep = fit.columns.values[:, fit.columns.creep]
    of_columns = np.zeros((len(fit.columns.names), upto.size))
    of_columns[fit.columns.creep] = creep[upto] - creep[fit.settled]
    grown = lasting_contrasts(fit.solved, upto=upto, reference=reference, of_columns=of_columns)
    return Contrasts(
        mean=grown.mean + fit.columns.creep_mean * of_columns[fit.columns.creep],
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
            declared=int(name.removeprefix("step@")) in fit.declared,
        )
        for place, name in enumerate(fit.columns.names)
        if fit.columns.parts[place] == "steps"
    )


def _parts(fit: Fit, counted: BoolArray) -> dict[str, FloatArray]:
    level, slope, ar = fit.solved.smoothed().T
    lasting = level[0] + fit.solved.factor.model.step_years * np.concatenate([[0.0], np.cumsum(slope[:-1])])
    creep = fit.columns.creep_mean * fit.columns.values[:, fit.columns.creep]
    states = {"secular": lasting + creep + fit.origin / fit.scale, "wander": level - lasting, "noise": ar}
    names = ("secular", "wander", "steps", "moisture", "temperature", "transient", "noise")
    parts = {}
    for name in names:
        chosen = fit.columns.of_part(name) & counted
        explained = fit.columns.values[:, chosen] @ fit.solved.coefficients[chosen]
        parts[name] = fit.scale * (explained + states.get(name, 0.0))
    return parts


def posterior(fit: Fit, last: LastDay) -> Posterior:
    """The last day's posterior, with the origin and creep's prior mean put back."""
    mean = last.mean.copy()
    mean[0] += fit.origin / fit.scale
    mean[fit.solved.factor.model.states + fit.columns.creep] += fit.columns.creep_mean
    return Posterior(mean=mean, covariance=last.covariance, columns=fit.columns.names)


def _own_unit(noise: Noise, scale: float) -> Noise:
    return Noise(
        white=noise.white * scale,
        ar=noise.ar * scale,
        ar_days=noise.ar_days,
        level_per_sqrt_year=noise.level_per_sqrt_year * scale,
        slope_per_year_per_sqrt_year=noise.slope_per_year_per_sqrt_year * scale,
    )


def _kept(fit: Fit, outliers: BoolArray) -> Kept:
    return Kept(
        means=fit.columns.means,
        cell=fit.cell,
        noise=fit.solved.factor.model.noise,
        steps=tuple(step for step in fit.columns.step_days if step not in fit.declared),
        origin=fit.origin,
        scale=fit.scale,
        through=int(fit.day[-1]),
        unseen=tuple(int(day) for day in fit.day[outliers]),
    )
