"""The word of a trial at one night's look: which of two ways of joining turns more, or that none can tell."""

import math
from dataclasses import dataclass
from typing import Literal

from server.errors import OutOfRangeError
from server.trend.trial_fence import NEWEST, YEAR_DAYS, Method, fence_of
from server.trend.trial_pool import Estimate

Word = Literal[
    "not_to_be_compared", "no_difference_that_matters", "b_turns_more", "a_turns_more", "cant_tell_yet"
]
Why = Literal[
    "first_year",
    "no_moment",
    "gauge_in_doubt",
    "season",
    "contradiction",
    "b_more_within_band",
    "a_more_within_band",
    "as_much_not_told",
    "not_within_trial",
    "ended",
]
Doubt = Literal["no_moment", "gauge_in_doubt", "season"]

FIRST_LOOK_DAYS = 365
TELLING: tuple[Word, ...] = ("no_difference_that_matters", "b_turns_more", "a_turns_more")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """The greatest lower and the least upper bound of a trial's looks so far."""

    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One look: the bounds about `estimate`, in its unit, the word, and what goes with it.

    `could_tell_years`: years after the start at which it could be told, if it goes on so.
    """

    estimate: Estimate
    factor: float
    low: float
    high: float
    word: Word
    why: Why | None = None
    could_tell_years: float | None = None

    @property
    def is_told(self) -> bool:
        """Whether the word is one that stays told."""
        return self.word in TELLING


def look(  # noqa: PLR0913 -- what a word hangs on, each by its own name
    estimate: Estimate,
    years: float,
    horizon_years: float,
    band: float | None,
    *,
    method: Method = NEWEST,
    doubt: Doubt | None = None,
    before: Bounds | None = None,
) -> Look:
    """The look at `estimate` `years` after the start of a trial of `horizon_years`, by its `method`.

    `band` is the difference that matters, in the estimate's unit; without one nothing is called a difference
    that does not matter. `doubt`: why nothing may be compared tonight. `before`: the bounds of earlier looks.

    Raises OutOfRangeError for a band that is not above 0, or as `fence`.
    """
    if band is not None and not band > 0:
        raise OutOfRangeError("band", "a difference above 0", f"{band:g}")
    factor = fence_of(estimate, years, horizon_years, method).factor
    low, high = estimate.value - factor * estimate.se, estimate.value + factor * estimate.se
    reason = _no_look(Bounds(low=low, high=high), years, doubt, before)
    could_tell: float | None = None
    word: Word
    why: Why | None
    if reason is not None:
        word, why = "not_to_be_compared", reason
    elif (told := _told(low, high, band)) is not None:
        word, why = told
    else:
        could_tell = could_tell_years(estimate, years, horizon_years, method)
        late: Why = "ended" if years >= horizon_years else "not_within_trial"
        word, why = "cant_tell_yet", late if could_tell is None else None
    return Look(
        estimate=estimate, factor=factor, low=low, high=high, word=word, why=why, could_tell_years=could_tell
    )


def together(before: Bounds | None, low: float, high: float) -> Bounds:
    """The bounds of all looks so far with one more. Only to find contradiction: no interval to show."""
    if before is None:
        return Bounds(low=low, high=high)
    return Bounds(low=max(before.low, low), high=min(before.high, high))


def could_tell_years(
    estimate: Estimate, years: float, horizon_years: float, method: Method = NEWEST
) -> float | None:
    """Years after the start at which the bounds would leave out 0, None where not within the trial.

    As if the estimate stays and its error shrinks with the root of time: for these doors that is
    (c se horizon^p sqrt(years)/|estimate|)^(1/(p + 1/2)) at the method's power p, for a kind the same by
    root, with Student's t.
    """
    from scipy.optimize import brentq

    if years >= horizon_years:
        return None

    def short_of(at_years: float) -> float:
        factor = fence_of(estimate, at_years, horizon_years, method).factor
        return factor * estimate.se * math.sqrt(years / at_years) - abs(estimate.value)

    if short_of(horizon_years) > 0:
        return None
    return float(brentq(short_of, years, horizon_years)) if short_of(years) > 0 else years


def _no_look(now: Bounds, years: float, doubt: Doubt | None, before: Bounds | None) -> Why | None:
    if years * YEAR_DAYS < FIRST_LOOK_DAYS - 0.5:  # half a day: years come from whole days
        return "first_year"
    if doubt is not None:
        return doubt
    narrowest = together(before, now.low, now.high)
    return "contradiction" if narrowest.low > narrowest.high else None


def _told(low: float, high: float, band: float | None) -> tuple[Word, Why | None] | None:
    if band is not None and -band < low and high < band:
        more: Why | None = "b_more_within_band" if low > 0 else "a_more_within_band" if high < 0 else None
        return "no_difference_that_matters", more
    if low > 0:
        return "b_turns_more", "as_much_not_told" if band is not None and low < band else None
    if high < 0:
        return "a_turns_more", "as_much_not_told" if band is not None and high > -band else None
    return None
