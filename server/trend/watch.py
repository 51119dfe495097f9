"""The watch over one series: a night at a time, steps first, and the alarm when the slope stands out.

Strictly causal: what is said on a day hangs on nothing that came after it.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from server.trend.answer import Decomposition, Kept, Posterior, posterior
from server.trend.contrasts import last_day
from server.trend.likelihood import Noise
from server.trend.nightly import expected, joined, predicted, sizes_of, updated
from server.trend.refit import refit
from server.trend.series import DAYS_PER_YEAR, Daily, DoorFacts
from server.trend.steps import Bar, found_steps
from server.trend.tonight import Laid, laid_out, solved_rows, with_more_steps

FloatArray = NDArray[np.float64]

FIRST_REFIT_YEARS, REFIT_EVERY_YEARS = (1, 2, 3, 5, 7, 10), 3
WATCHED_SLOPE = 0.10
"""Slope noise at least, a year: a door that was quiet for years must still be able to begin to move."""
QUIET_SLOPE = 0.02
HELD_SD, HELD_SIZE, HELD_DAYS, HELD_FEWEST = 3.3, 0.08, 30, 4
REBASED_VARIANCE = 1.0
SAME_STEP_DAYS = 10
SEARCH_DAYS = 200
RELEASED_Z, RELEASED_NIGHTS = 1.0, 30
LATE = Bar(t=3.8, size=0.06, most=2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """A night on which the slope stood out; slope and error a year, in the gauge's own unit."""

    day: int
    z: float
    slope: float
    se: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A day that did not agree, put by, with the state that was expected of it."""

    place: int
    sign: int
    expected: Posterior


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """What one night hands to the next."""

    kept: Kept
    posterior: Posterior
    noise: Noise
    """The fit's, with a slope that can follow an onset."""
    place: int
    """Place of the last day in the record."""
    online: tuple[int, ...] = ()
    """Days of steps found by night that are columns of the posterior."""
    rebased: tuple[int, ...] = ()
    """Days of steps re-based on, which become columns when the posterior is next recomputed."""
    let_go: tuple[int, ...] = ()
    """Days that were held and let go since the fit: they stay unseen."""
    held: tuple[Held, ...] = ()
    is_latched: bool = False
    quiet_nights: int = 0

    @property
    def z(self) -> float:
        """Standard errors by which the slope stands above what a quiet door may do."""
        error = float(np.sqrt(self.posterior.covariance[1, 1]))
        return (float(self.posterior.mean[1]) - QUIET_SLOPE) / error


def watch(daily: Daily, door: DoorFacts) -> list[Alarm]:
    """All alarms of a record, each as it would have been raised on its night."""
    return [alarm for _, alarm in nights(daily, door) if alarm]


def nights(daily: Daily, door: DoorFacts) -> Iterator[tuple[Watched, Alarm | None]]:
    """Each night of a record from the first fit on, and the alarm raised on it."""
    watched: Watched | None = None
    ages = refit_ages(int(daily.day[-1] - daily.day[0]))
    until_next = (*(later - 1 for later in ages[1:]), daily.day.size - 1)
    for age, until in zip(ages, until_next, strict=False):
        begun = began(daily.up_to(int(daily.day[age])), door, before=watched)
        if begun is not None:
            watched = begun[0]
            yield begun
        if watched is None:
            continue
        laid = laid_out(_laying(watched), daily, door, through=int(daily.day[until]))
        if isinstance(laid, Decomposition):
            continue
        for place in range(watched.place + 1, until + 1):
            watched, alarm = night(watched, laid, place)
            laid = with_more_steps(laid, watched.online)
            yield watched, alarm


def refit_ages(last: int) -> list[int]:
    """Ages in days at which a record is fitted anew, up to and with the age `last`."""
    years = list(FIRST_REFIT_YEARS)
    while years[-1] * DAYS_PER_YEAR <= last:
        years.append(years[-1] + REFIT_EVERY_YEARS)
    return [age for age in (round(DAYS_PER_YEAR * year) for year in years) if age <= last]


def began(
    daily: Daily, door: DoorFacts, *, before: Watched | None = None
) -> tuple[Watched, Alarm | None] | None:
    """The watch from a fit on the record's last day, and the alarm of that night; None where none was made.

    before: the watch until then, whose steps and latch go on.
    """
    fitted = refit(daily, door)
    if fitted.kept is None or fitted.fit is None:
        return None
    known = (*fitted.kept.steps, *fitted.fit.declared)
    online = tuple(step for step in _all_online(before) if not is_near(step, known))
    laid = laid_out(replace(fitted.kept, steps=(*fitted.kept.steps, *online)), daily, door)
    if isinstance(laid, Decomposition):
        return None
    slope = max(fitted.kept.noise.slope_per_year_per_sqrt_year, WATCHED_SLOPE)
    watched = _recomputed(
        Watched(
            kept=fitted.kept,
            posterior=Posterior(mean=np.empty(0), covariance=np.empty((0, 0)), columns=()),
            noise=replace(fitted.kept.noise, slope_per_year_per_sqrt_year=slope),
            place=daily.day.size - 1,
            online=online,
            is_latched=before is not None and before.is_latched,
            quiet_nights=0 if before is None else before.quiet_nights,
        ),
        laid,
    )
    return _judged(watched, laid)


def night(watched: Watched, laid: Laid, place: int) -> tuple[Watched, Alarm | None]:
    """One day more: the day at `place` of the record, laid out with what the watch's fit kept."""
    watched = replace(watched, posterior=joined(watched.posterior, laid.columns), place=place)
    sizes, x, y = sizes_of(watched.noise), laid.columns.values[place], float(laid.value[place])
    mean, covariance = predicted(watched.posterior.mean, watched.posterior.covariance, sizes)
    before = Posterior(mean=mean, covariance=covariance, columns=laid.columns.names)
    watched = _without_old(replace(watched, posterior=before), laid, place)
    if np.isfinite(y):
        off = expected(mean, covariance, x, y, sizes)
        if abs(off.value) > max(HELD_SD * off.sd, HELD_SIZE):
            watched = _held(watched, laid, Held(place=place, sign=int(np.sign(off.value)), expected=before))
        else:
            mean, covariance = updated(mean, covariance, x, np.asarray(y), sizes)
            agreed = Posterior(mean=mean, covariance=covariance, columns=before.columns)
            watched = replace(_let_go(watched, laid, watched.held), posterior=agreed)
    return _judged(watched, laid)


def carried(watched: Watched, first_day: int) -> Kept:
    """What was kept of the last fit, with the steps found since and the days put by: for `tonight`.

    first_day: of the record, whose days are contiguous.
    """
    by_now = (first_day + held.place for held in watched.held)
    return replace(
        watched.kept,
        steps=tuple(dict.fromkeys((*watched.kept.steps, *watched.online, *watched.rebased))),
        unseen=(*watched.kept.unseen, *watched.let_go, *by_now),
    )


def _laying(watched: Watched) -> Kept:
    return replace(watched.kept, steps=(*watched.kept.steps, *watched.online))


def _all_online(before: Watched | None) -> tuple[int, ...]:
    return () if before is None else tuple(dict.fromkeys((*before.online, *before.rebased)))


def is_near(step: int, known: tuple[int, ...]) -> bool:
    """Whether a step is one of those known: within ten days of it."""
    return any(abs(step - other) <= SAME_STEP_DAYS for other in known)


def _recomputed(watched: Watched, laid: Laid) -> Watched:
    """The posterior anew from all days so far, every step that is known a column of it."""
    steps = _all_online(watched)
    fit = solved_rows(laid, watched.noise, watched.place + 1, unseen=watched.let_go, steps=steps)
    return replace(watched, posterior=posterior(fit, last_day(fit.solved)), online=steps, rebased=())


def _without_old(watched: Watched, laid: Laid, place: int) -> Watched:
    return _let_go(watched, laid, tuple(held for held in watched.held if place - held.place > HELD_DAYS))


def _let_go(watched: Watched, laid: Laid, gone: tuple[Held, ...]) -> Watched:
    if not gone:
        return watched
    return replace(
        watched,
        held=tuple(held for held in watched.held if held not in gone),
        let_go=(*watched.let_go, *(int(laid.day[held.place]) for held in gone)),
    )


def _held(watched: Watched, laid: Laid, day: Held) -> Watched:
    """The day put by; the fourth of one sign makes a step of them."""
    other = tuple(held for held in watched.held if held.sign != day.sign)
    watched = _let_go(watched, laid, other)
    watched = replace(watched, held=(*watched.held, day))
    return _rebased(watched, laid) if len(watched.held) >= HELD_FEWEST else watched


def _rebased(watched: Watched, laid: Laid) -> Watched:
    """Back to the first held day, its level set free, and all held days read from there."""
    first, sizes = watched.held[0], sizes_of(watched.noise)
    start = joined(first.expected, laid.columns)
    mean, covariance = start.mean, start.covariance.copy()
    covariance[0, 0] += REBASED_VARIANCE
    places = {held.place for held in watched.held}
    for place in range(first.place, watched.place + 1):
        if place > first.place:
            mean, covariance = predicted(mean, covariance, sizes)
        if place in places:
            y = np.asarray(laid.value[place])
            mean, covariance = updated(mean, covariance, laid.columns.values[place], y, sizes)
    return replace(
        watched,
        posterior=Posterior(mean=mean, covariance=covariance, columns=start.columns),
        rebased=(*watched.rebased, int(laid.day[first.place])),
        held=(),
    )


def _judged(watched: Watched, laid: Laid) -> tuple[Watched, Alarm | None]:
    """The night's alarm, if any: not before a step was looked for that would explain it."""
    if watched.is_latched:
        quiet = watched.quiet_nights + 1 if watched.z < RELEASED_Z else 0
        return replace(watched, quiet_nights=quiet, is_latched=quiet < RELEASED_NIGHTS), None
    bar = laid.ready.door.alarm
    if watched.held or watched.z <= bar:
        return watched, None
    watched = _stepped(watched, laid)
    if watched.z <= bar:
        return watched, None
    scale = watched.kept.scale
    alarm = Alarm(
        day=int(laid.day[watched.place]),
        z=watched.z,
        slope=float(watched.posterior.mean[1]) * scale,
        se=float(np.sqrt(watched.posterior.covariance[1, 1])) * scale,
    )
    return replace(watched, is_latched=True, quiet_nights=0), alarm


def _stepped(watched: Watched, laid: Laid) -> Watched:
    """With the late steps found as columns, or as it was where there is none."""
    days = watched.place + 1
    fit = solved_rows(laid, watched.kept.noise, days, unseen=watched.let_go, steps=_all_online(watched))
    y = np.where(fit.solved.factor.observed, fit.solved.residual, np.nan)
    y = y + fit.columns.values @ fit.solved.coefficients
    late = replace(LATE, from_place=days - SEARCH_DAYS)
    columns = found_steps(y, fit.columns, fit.day, watched.kept.noise, late)
    new = columns.step_days[len(fit.columns.step_days) :]
    if not new:
        return watched
    return _recomputed(replace(watched, online=(*watched.online, *new)), laid)
