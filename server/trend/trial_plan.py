"""What a trial could tell and when: reckoned before it is declared."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from server.errors import OutOfRangeError
from server.trend.trial_error import DROOP_MM, ErrorPath
from server.trend.trial_fence import C_DOORS, NEWEST, YEAR_DAYS, Method
from server.trend.trial_passage import first_passage
from server.trend.trial_pool import FEWEST_FOR_A_KIND

FloatArray = NDArray[np.float64]

SEEN, HARDLY, EVEN = 0.8, 0.05, 0.5
SOONEST_YEARS = 1.0
LOOK_EVERY_DAYS = 7
TIMES, OUT_OF_THE_QUESTION = 500, 9.0
"""How many times a chance is reckoned at, from where the fence is so many standard errors off."""
EARLIEST_SHARE = 1e-6
"""Of the horizon: no trial has told anything by then."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """A trial as it might be: how many pairs for how long, and the difference a year to be found.

    `error`: of one pair's difference by the years, in the unit of `difference`.
    """

    pairs: int
    horizon_years: float
    difference: float
    error: ErrorPath = DROOP_MM
    method: Method = NEWEST


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What a trial of these doors promises. Times in years from its start, None for not within it.

    `by_year`: the chance that it is told by the end of each whole year.
    """

    ask: Ask
    by_year: tuple[float, ...]
    not_before_years: float | None
    even_chance_years: float | None
    half_width_at_end: float
    least_difference: float
    told_by_end: float


def plan(ask: Ask) -> Plan:
    """The planner's figures for a trial of these doors. Raises OutOfRangeError for an ask of nothing."""
    whole_years = range(1, math.floor(ask.horizon_years + 1e-9) + 1)
    return Plan(
        ask=ask,
        by_year=tuple(chance_told(ask, float(year)) for year in whole_years),
        not_before_years=reaches(ask, HARDLY),
        even_chance_years=reaches(ask, EVEN),
        half_width_at_end=half_width_at_end(ask),
        least_difference=least_difference(ask),
        told_by_end=chance_told(ask, ask.horizon_years),
    )


def chance_told(ask: Ask, years: float) -> float:
    """The chance that `ask.difference` is told within `years`; none before one year.

    First passage of a Brownian motion with drift in the information that the pairs' errors make, over the
    fence, by the chance that every pair is compared by then: what passed earlier is taken to be told at once
    when they are, as what passed in the first year is at its end.
    """
    _check(ask)
    if years < SOONEST_YEARS - 1 / YEAR_DAYS:
        return 0.0
    within = min(years, ask.horizon_years)
    return _chances(ask)(within) * ask.error.all_served(within, ask.pairs)


def half_width_at_end(ask: Ask) -> float:
    """Half the width of the bounds on the last night, in the unit of the difference."""
    _check(ask)
    return C_DOORS * float(ask.error.at(ask.horizon_years)) / math.sqrt(ask.pairs)


def least_difference(ask: Ask) -> float:
    """The difference that would be told in 4 trials of 5 by the end; that of `ask` is not used.

    Of trials whose pairs are all compared by then, which those of three years or more are.
    """
    _check(ask)
    return _least_of_one_pair(ask.error, ask.horizon_years, ask.method) / math.sqrt(ask.pairs)


def pairs_needed(ask: Ask) -> int:
    """The fewest pairs that tell the difference in 4 trials of 5 by the end, as `least_difference` has it."""
    _check(ask)
    of_one = _least_of_one_pair(ask.error, ask.horizon_years, ask.method)
    return math.ceil((of_one / ask.difference) ** 2 - 1e-9)


def reaches(ask: Ask, chance: float) -> float | None:
    """The year by which the chance of being told is `chance`, at the soonest 1; None for not within it."""
    from scipy.optimize import brentq

    soonest, horizon = min(SOONEST_YEARS, ask.horizon_years), ask.horizon_years
    if chance_told(ask, horizon) < chance:
        return None
    if chance_told(ask, soonest) >= chance:
        return soonest
    return float(brentq(lambda years: chance_told(ask, years) - chance, soonest, horizon, xtol=1e-12))


def chance_told_kind(ask: Ask, tau: float, rng: np.random.Generator, *, draws: int = 4000) -> FloatArray:
    """The share of `draws` invented trials told of the kind by the end of each whole year, (years,).

    `tau` is the standard deviation between pairs, in the unit of the difference. Weekly looks from the
    first year's end, pairs alike in error, so that the pooled variance is the greater of the pairs' own
    and of their error's.

    Raises OutOfRangeError below 2 pairs, or for a `tau` below 0.
    """
    _check(ask)
    if ask.pairs < FEWEST_FOR_A_KIND or tau < 0:
        needed = f"{FEWEST_FOR_A_KIND} pairs or more and a spread of 0 or more"
        raise OutOfRangeError("plan of a kind", needed, f"{ask.pairs} pairs, {tau:g}")
    years, factors = _weekly_looks(ask)
    errors = ask.error.at(years)
    own = ask.difference + tau * rng.standard_normal((draws, ask.pairs))
    walk = np.zeros_like(own)
    served = ask.error.drawn_served(rng, draws, ask.pairs)
    first_told = np.full(draws, np.inf)
    known = 0.0
    for now, factor, error in zip(years, factors, errors, strict=True):
        information = 1 / error**2
        walk += math.sqrt(information - known) * rng.standard_normal(walk.shape)
        known = information
        seen = own + walk / information
        spread = np.maximum(seen.var(axis=1, ddof=1), error**2) / ask.pairs
        is_told = (seen.mean(axis=1) > factor * np.sqrt(spread)) & (served <= now)
        first_told[is_told & np.isinf(first_told)] = now
    whole = np.arange(1, math.floor(ask.horizon_years + 1e-9) + 1)
    told: FloatArray = (first_told[:, None] <= whole + 1e-9).mean(axis=0)
    return told


def _check(ask: Ask) -> None:
    at_end = float(ask.error.at(ask.horizon_years)) if ask.horizon_years > 0 else 1.0
    if not (ask.pairs >= 1 and ask.horizon_years > 0 and ask.difference > 0 and at_end > 0):
        came = f"{ask.pairs} pairs, {ask.horizon_years:g} years, {ask.difference:g} at {at_end:g}"
        raise OutOfRangeError("plan of a trial", "1 pair or more, and numbers above 0", came)


@lru_cache(maxsize=256)
def _chances(ask: Ask) -> Callable[[float], float]:
    """The chance of being told by a time in years up to the horizon."""
    horizon = ask.horizon_years
    size = ask.difference * math.sqrt(ask.pairs)

    def off(years: FloatArray) -> FloatArray:
        """Standard errors by which the fence lies above what is expected."""
        fence: FloatArray = ask.method.factor(years / horizon) - size / ask.error.at(years)
        return fence

    coarse = np.geomspace(EARLIEST_SHARE, 1.0, TIMES) * horizon
    far = np.flatnonzero(off(coarse) > OUT_OF_THE_QUESTION)
    if far.size and far[-1] == TIMES - 1:
        return lambda _years: 0.0
    start = float(coarse[far[-1] if far.size else 0])
    years = np.geomspace(start, horizon, TIMES)
    told = first_passage(ask.error.at(years) ** -2.0, off(years) / ask.error.at(years))

    def by(at_years: float) -> float:
        return told(float(ask.error.at(at_years)) ** -2) if at_years > start else 0.0

    return by


@lru_cache(maxsize=256)
def _least_of_one_pair(error: ErrorPath, horizon_years: float, method: Method) -> float:
    from scipy.optimize import brentq

    at_end = float(error.at(horizon_years))

    def short_of(times: float) -> float:
        ask = Ask(pairs=1, horizon_years=horizon_years, difference=times * at_end, error=error, method=method)
        return _chances(ask)(horizon_years) - SEEN

    return at_end * float(brentq(short_of, C_DOORS / 2, 3 * C_DOORS, xtol=1e-10))


def _weekly_looks(ask: Ask) -> tuple[FloatArray, FloatArray]:
    years = np.append(
        np.arange(SOONEST_YEARS, ask.horizon_years, LOOK_EVERY_DAYS / YEAR_DAYS), ask.horizon_years
    )
    return years, ask.method.factor_of_kind(years / ask.horizon_years, ask.pairs, ask.pairs - 1)
