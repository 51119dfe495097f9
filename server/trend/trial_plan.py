"""What a trial could tell and when: reckoned before it is declared."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.errors import OutOfRangeError
from server.trend.trial_fence import C_DOORS, YEAR_DAYS, c_kind
from server.trend.trial_pool import FEWEST_FOR_A_KIND

FloatArray = NDArray[np.float64]

S1_DROOP_MM = 0.0744
"""Standard error of one pair's difference after one year, mm a year times the root of years."""
TURN_YEARS, TURN_SE_MRAD = (2.0, 3.0, 5.0, 6.0), (0.0225, 0.0157, 0.0103, 0.0092)
"""Median standard error of one pair's difference of turns between gauges 170 mm apart, mrad a year.

Source: 400 simulated pairs of sound joints through the comparison of the service, by this project.
"""
SEEN, HARDLY, EVEN = 0.8, 0.05, 0.5
SOONEST_YEARS = 1.0
LOOK_EVERY_DAYS = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """A trial as it might be: how many pairs for how long, and the difference a year to be found.

    `s1`: standard error of one pair's difference after one year, in the unit of `difference`.
    """

    pairs: int
    horizon_years: float
    difference: float
    s1: float = S1_DROOP_MM


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


def s1_turn_mrad(horizon_years: float) -> float:
    """Standard error of a pair's turns after one year, as the planner counts back from a trial's end.

    Of trials under 2 years as of 2, of those over 6 as of 6: with the years a turn's error falls faster than
    their root, so that what is told early on is promised too soon and by the end about right.
    """
    se = float(np.interp(horizon_years, TURN_YEARS, TURN_SE_MRAD))
    return se * math.sqrt(min(max(horizon_years, TURN_YEARS[0]), TURN_YEARS[-1]))


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

    First passage of a Brownian motion with drift in information `pairs years / s1²`, over the fence.
    Source: A. Wald 1947 and J. L. Folks, R. S. Chhikara 1978 (inverse Gaussian), from memory.
    """
    _check(ask)
    if years < SOONEST_YEARS - 1 / YEAR_DAYS:
        return 0.0
    drift = ask.difference * math.sqrt(ask.pairs) / ask.s1
    return _passed(drift, min(years, ask.horizon_years), C_DOORS * math.sqrt(ask.horizon_years))


def half_width_at_end(ask: Ask) -> float:
    """Half the width of the bounds on the last night, in the unit of the difference."""
    _check(ask)
    return C_DOORS * ask.s1 / math.sqrt(ask.pairs * ask.horizon_years)


def least_difference(ask: Ask) -> float:
    """The difference that would be told in 4 trials of 5 by the end; that of `ask` is not used."""
    return _seen_drift() * half_width_at_end(ask) / C_DOORS


def pairs_needed(ask: Ask) -> int:
    """The fewest pairs that tell the difference in 4 trials of 5 by the end; those of `ask` are not used."""
    _check(ask)
    return math.ceil((_seen_drift() * ask.s1 / ask.difference) ** 2 / ask.horizon_years - 1e-9)


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
    own = ask.difference + tau * rng.standard_normal((draws, ask.pairs))
    walk = np.zeros_like(own)
    first_told = np.full(draws, np.inf)
    walked = 0.0
    for now, factor in zip(years, factors, strict=True):
        walk += math.sqrt(now - walked) * rng.standard_normal(walk.shape)
        walked = now
        seen = own + ask.s1 * walk / now
        spread = np.maximum(seen.var(axis=1, ddof=1), ask.s1**2 / now) / ask.pairs
        first_told[(seen.mean(axis=1) > factor * np.sqrt(spread)) & np.isinf(first_told)] = now
    whole = np.arange(1, math.floor(ask.horizon_years + 1e-9) + 1)
    told: FloatArray = (first_told[:, None] <= whole + 1e-9).mean(axis=0)
    return told


def _check(ask: Ask) -> None:
    if not (ask.pairs >= 1 and ask.horizon_years > 0 and ask.difference > 0 and ask.s1 > 0):
        came = f"{ask.pairs} pairs, {ask.horizon_years:g} years, {ask.difference:g} at {ask.s1:g}"
        raise OutOfRangeError("plan of a trial", "1 pair or more, and numbers above 0", came)


def _passed(drift: float, years: float, level: float) -> float:
    """The chance that W(years) + drift years has been above `level` by then."""
    from scipy.stats import norm

    root = math.sqrt(years)
    # the product is of a huge and a tiny number, so in logarithms
    later = math.exp(2 * drift * level + float(norm.logcdf(-(drift * years + level) / root)))
    return float(norm.cdf((drift * years - level) / root)) + later


def _seen_drift() -> float:
    """The drift of a motion of one unit of time that passes C_DOORS in 4 cases of 5."""
    from scipy.optimize import brentq

    return float(brentq(lambda drift: _passed(drift, 1.0, C_DOORS) - SEEN, 0.0, 10.0, xtol=1e-14))


def _weekly_looks(ask: Ask) -> tuple[FloatArray, FloatArray]:
    from scipy.stats import norm, t

    years = np.append(
        np.arange(SOONEST_YEARS, ask.horizon_years, LOOK_EVERY_DAYS / YEAR_DAYS), ask.horizon_years
    )
    level = norm.sf(c_kind(ask.pairs) / np.sqrt(years / ask.horizon_years))
    return years, t.isf(level, ask.pairs - 1)
