"""One series looked at: its rate, what stays of it and what comes back, or why that is not said."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.errors import SeriesError, TooFewReadingsError
from server.inspection.dating import alarm_facts
from server.inspection.line import Line
from server.inspection.moisture import Moisture
from server.inspection.series import DaySeries
from server.inspection.values import DoorInputs, Parts, SeriesLook, refused_look
from server.inspection.watching import Followed, daily_of, told
from server.trend.decompose import FIRST_YEAR_DAYS, Decomposition, decompose
from server.trend.prepare import prepared
from server.trend.series import DAYS_PER_YEAR, Daily
from server.trend.stays import what_stays

FloatArray = NDArray[np.float64]

RECENT_DAYS = 7
YEAR_DAYS = 365
WHOLE_YEARS = 3
ENOUGH_DAYS_SEEN = 0.7
# The bounds widen slowly; they are asked on so many days at most, and between these drawn straight.
BOUNDS_ASKED, LEAST_APART_DAYS = 12, 30
REASONS = {
    "no_readings": "nothing has been heard of it yet",
    "no_line": "no reading in the days from which its line is drawn",
    "no_climate": "the air at the door is not known, so season and what stays cannot be parted",
    "first_year": "season and what stays are parted after a year; {came:.0f} days are heard",
    "too_few_days": "it takes readings on {needed:.0f} days; {came:.0f} came",
    "season": "season and years ran together in what has been heard; one more dry season parts them",
    "wide": "the readings leave the rate anywhere within {came:.2f} {unit} a year or more",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """How much is asked of a series: `brief` leaves out its days, `dated` reckons the date of its limit.

    `watched`: what the watch over it says is asked, which may be that it has not begun.
    """

    brief: bool = False
    dated: bool = True
    watched: bool = True


WHOLE = Asked()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fitted:
    """The fitted series and its parts on its own days, counted from the line."""

    fitted: FloatArray
    stays: FloatArray
    half: FloatArray
    season: FloatArray
    anew: FloatArray
    """What the gauge's being set anew adds to the series as it was measured."""


def looked(
    inputs: DoorInputs,
    line: Line,
    one: DaySeries,
    moisture: Moisture | None,
    watch: Followed | None = None,
    asked: Asked = WHOLE,
) -> SeriesLook:
    """What is said of a series tonight. Too little to know is a refusal in words, with what was measured.

    watch: the watch over it as it stands tonight; without one its noise and its slab are the usual ones.
    """
    daily = daily_of(inputs, one)
    if daily is None:
        heard = any(np.isfinite(days.median).any() for days in inputs.gauges.values())
        return _nothing(one, REASONS["no_line" if heard else "no_readings"], line, asked)
    apart = daily.day.size if asked.brief else max(LEAST_APART_DAYS, -(-daily.day.size // BOUNDS_ASKED))
    found = _found(daily, one, watch, asked)
    fitted = _fitted(found, line, apart)
    is_told = found.status != "refused" and fitted is not None
    facts = _facts(inputs, line, one, daily) | _trend_facts(one, found)
    facts["now"] = float(fitted.fitted[-1]) if fitted else _recent(daily.value)
    if is_told and fitted:
        worse = -fitted.season if one.key.startswith("gap:") else fitted.season
        facts |= _told_facts(fitted) | {"worst_season": _worst(daily, line, worse)}
    if asked.watched:
        # A joint that runs away leaves its rate wide; its date is told for all that.
        stays = None if fitted is None else fitted.stays
        facts |= alarm_facts(inputs, one, found, stays=stays, watch=watch, is_dated=asked.dated)
    return SeriesLook(
        key=one.key,
        unit=one.unit,
        status=found.status,
        reason=_reason(found, one.unit),
        rate=found.rate,
        low=found.rate_low,
        high=found.rate_high,
        facts=facts,
        parts=None if asked.brief else _parts(inputs, daily, fitted if is_told else None, moisture),
    )


def _found(daily: Daily, one: DaySeries, watch: Followed | None, asked: Asked) -> Decomposition:
    """By the watch where there is one; else by the usual noise, which tells nothing in the first year."""
    if watch is not None:
        return told(watch, one.facts)
    age = int(daily.day[-1] - daily.day[0])
    if not asked.brief or age >= FIRST_YEAR_DAYS:
        # What a refit would refuse is refused, also where the usual noise could be solved with it.
        ready = prepared(daily, one.facts, may_stand_still=False) if asked.watched else None
        return ready if isinstance(ready, Decomposition) else decompose(daily, one.facts)
    seen = np.isfinite(daily.value)
    return Decomposition(
        status="refused",
        reason="first_year",
        needed=FIRST_YEAR_DAYS,
        came=age,
        day=daily.day,
        outliers=np.zeros_like(seen),
        observed_days=int(seen.sum()),
    )


def _nothing(one: DaySeries, reason: str, line: Line, asked: Asked) -> SeriesLook:
    facts: dict[str, object] = {
        "unit": one.unit,
        "first_day": None,
        "last_day": None,
        "days_seen": 0,
        "line": "none",
    }
    facts |= {"since_heard": line.since_heard, "limit": one.facts.limit, "told": one.told}
    if asked.watched:
        facts |= {"alarm": None, "alarm_day": None, "found_steps": [], "forecast": None}
    return refused_look(one.key, one.unit, reason, facts)


def _reason(found: Decomposition, unit: str) -> str | None:
    if found.status != "refused":
        return None
    return REASONS[found.reason or "no_readings"].format(
        needed=found.needed or 0, came=found.came or 0, unit=unit
    )


def _recent(value: FloatArray) -> float:
    return float(np.median(value[np.isfinite(value)][-RECENT_DAYS:]))


def _facts(inputs: DoorInputs, line: Line, one: DaySeries, daily: Daily) -> dict[str, object]:
    first = int(daily.day[0])
    return {
        "unit": one.unit,
        "first_day": inputs.hung_day + first,
        "last_day": inputs.hung_day + int(daily.day[-1]),
        "days_seen": int(np.isfinite(daily.value).sum()),
        "line": line.kind,
        "line_from": inputs.hung_day + line.start,
        "line_to": inputs.hung_day + line.stop,
        "since_heard": line.since_heard,
        "years_heard": (int(daily.day[-1]) - first) / DAYS_PER_YEAR,
        "limit": one.facts.limit,
        "sd_day": one.sd_day,
        "told": one.told,
        "first_word_day": inputs.hung_day + first + FIRST_YEAR_DAYS,
        "mean_now": one.mean_now,
    }


def _trend_facts(one: DaySeries, found: Decomposition) -> dict[str, object]:
    interval = found.interval
    facts: dict[str, object] = {
        "drift_per_year": one.facts.drift_per_year,
        "collinearity": found.collinearity,
    }
    if interval is None:
        return facts
    seen = found.observed_days / found.day.size
    noisy = "gaps" if seen < ENOUGH_DAYS_SEEN else "noise"
    return facts | {
        "half_width": interval.half_width,
        "help": "drift" if interval.drift >= interval.process else noisy,
    }


def _fitted(found: Decomposition, line: Line, apart: int) -> _Fitted | None:
    """The parts counted from the line; None where nothing was fitted or the line is not in the record."""
    try:
        bounds = what_stays(found, (line.start, line.stop), every_days=apart)
    except (TooFewReadingsError, SeriesError):
        return None
    within = (found.day >= line.start) & (found.day < line.stop)
    lasting = found.parts["secular"] + found.parts["steps"]
    # With the transient: the slab's start is not known, and what that leaves in the line's days is in it.
    season = found.parts["moisture"] + found.parts["temperature"] + found.parts["transient"]
    return _Fitted(
        fitted=np.sum(list(found.parts.values()), axis=0),
        stays=lasting - lasting[within].mean(),
        half=np.interp(found.day, bounds.day, bounds.high - bounds.value),
        season=season - season[within].mean(),
        anew=np.zeros(found.day.size) if found.anew is None else found.anew,
    )


def _told_facts(fitted: _Fitted) -> dict[str, object]:
    stays, half = float(fitted.stays[-1]), float(fitted.half[-1])
    low, high = np.percentile(fitted.season[-YEAR_DAYS:], (5, 95))
    return {
        "stays": stays,
        "stays_low": stays - half,
        "stays_high": stays + half,
        "back": float(fitted.fitted[-1]) - stays,
        "swing_year": float(high - low),
    }


def _worst(daily: Daily, line: Line, season: FloatArray) -> float:
    """The greatest of a season in a year: seen, or with three years its upper 95 % bound."""
    counted = season[daily.day >= line.start]
    years = [counted[max(end - YEAR_DAYS, 0) : end] for end in range(counted.size, 0, -YEAR_DAYS)]
    greatest = np.array([year.max() for year in years if year.size == YEAR_DAYS])
    if greatest.size < WHOLE_YEARS:
        return float(counted.max())
    return float(max(greatest.max(), greatest.mean() + 1.96 * greatest.std(ddof=1)))


def _parts(inputs: DoorInputs, daily: Daily, fitted: _Fitted | None, moisture: Moisture | None) -> Parts:
    none = np.full(daily.day.size, np.nan)
    since = int(daily.day[0] - inputs.day[0])
    return Parts(
        day=daily.day + inputs.hung_day,
        seen=daily.value if fitted is None else daily.value - fitted.anew,
        stays=none if fitted is None else fitted.stays,
        stays_low=none if fitted is None else fitted.stays - fitted.half,
        stays_high=none if fitted is None else fitted.stays + fitted.half,
        back=none if fitted is None else fitted.fitted - fitted.stays,
        moisture=none if moisture is None else moisture.pct[since : since + daily.day.size],
    )
