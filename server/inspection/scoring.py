"""How what was said stands up to what came later: intervals, alarms and dates, in plain numbers."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from sqlalchemy.orm import Session

from server.inspection.results import SeriesResult, results_of
from server.inspection.said import Said, said_of
from server.inspection.values import Parts

YEAR_DAYS = 365.25
# What was said on the last days is nearly the same estimate: it would hold by itself.
LATER_DAYS = 90
# A night so long after a year's end does not stand for it.
AT_YEARS_END_DAYS = 31
NOT_YET = (
    "Nothing that was said of it can be judged yet: that takes what stays to be told, and three months after."
)
"""Said while there is nothing to score; three months are LATER_DAYS."""


@dataclass(frozen=True, slots=True, kw_only=True)
class YearSaid:
    """What was said of a series at the end of a year of its record, and what is known now of that day.

    `later`: what stayed on that day as it is estimated now. `known_now`: what is said of that night now,
    where something came late and it was said otherwise.
    """

    years: int
    said: Said
    later: float | None
    known_now: Said | None = None

    @property
    def is_held(self) -> bool | None:
        """Whether the interval that was said holds the later estimate; None where either is not told."""
        return _holds(self.said, self.later)


@dataclass(frozen=True, slots=True, kw_only=True)
class DateSaid:
    """The date that was given for a limit when its alarm was raised, and when the limit was reached.

    `reached`: day since 1970 on which what stays, as estimated now, was first at the limit; None: not yet.
    `is_met`: whether that day lies in the range; None while neither is known.
    """

    said: Said
    reached: int | None
    is_met: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesScore:
    """One series: how often the interval of what stays held the later estimate, its years, its dates.

    `asked`, `held`: intervals, the first of each month. `said_again`: nights that were said otherwise later.
    """

    series: str
    unit: str
    asked: int
    held: int
    years: tuple[YearSaid, ...]
    dates: tuple[DateSaid, ...]
    alarms: int
    nights: int
    said_again: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """A door's record against what came later; by series. `nights_said_again`: of any of them, each once."""

    series: tuple[SeriesScore, ...]
    nights_said_again: int = 0

    @property
    def asked(self) -> int:
        """Intervals that can be judged by now."""
        return sum(one.asked for one in self.series)

    @property
    def held(self) -> int:
        """Those that hold the later estimate."""
        return sum(one.held for one in self.series)

    @property
    def dates(self) -> tuple[DateSaid, ...]:
        """Every date that was given, by series and night."""
        return tuple(date for one in self.series for date in one.dates)


def scored(session: Session, door_id: int) -> Score:
    """How what was said of a door stands up to what is known of it now; empty before the first look."""
    return score(said_of(session, door_id), results_of(session, door_id))


def score(said: Sequence[Said], results: Mapping[str, SeriesResult]) -> Score:
    """Score what was said by the last results of the same series."""
    of_series: dict[str, list[Said]] = {}
    for one in said:
        of_series.setdefault(one.series, []).append(one)
    return Score(
        series=tuple(_scored(key, mine, results.get(key)) for key, mine in of_series.items()),
        nights_said_again=len({one.slot for one in said if one.revision > 1}),
    )


def _scored(key: str, said: Sequence[Said], result: SeriesResult | None) -> SeriesScore:
    first = [one for one in said if one.revision == 1]
    newest = {one.slot: one for one in said}
    parts = None if result is None else result.parts
    until = None if parts is None else int(parts.day[-1]) - LATER_DAYS
    judged = [
        held
        for one in _monthly(first)
        if until is not None
        and one.day <= until
        and (held := _holds(one, _stayed(parts, one.day))) is not None
    ]
    raised = [one for before, one in zip([None, *first], first, strict=False) if _is_raised(before, one)]
    return SeriesScore(
        series=key,
        unit="mm" if result is None else result.unit,
        asked=len(judged),
        held=sum(judged),
        years=tuple(_years(first, newest, result)),
        dates=tuple(_dates(first, parts)),
        alarms=len(raised),
        nights=len(first),
        said_again=sum(one.revision > 1 for one in newest.values()),
    )


def _monthly(said: Sequence[Said]) -> list[Said]:
    """The first of each calendar month."""
    return list({one.slot[:7]: one for one in reversed(said)}.values())[::-1]


def _years(first: Sequence[Said], newest: Mapping[str, Said], result: SeriesResult | None) -> list[YearSaid]:
    """At the end of each year since the series was first heard: the first night from then on."""
    parts = None if result is None else result.parts
    since = None if result is None else result.facts.get("first_day")
    if not isinstance(since, int) or not first:
        return []
    ends = range(1, int((first[-1].day - since) / YEAR_DAYS) + 1)
    found: dict[int, YearSaid] = {}
    for years in ends:
        end = since + round(years * YEAR_DAYS)
        one = next((one for one in first if end <= one.day < end + AT_YEARS_END_DAYS), None)
        if one is not None:
            now = newest[one.slot]
            known_now = now if now.revision > 1 else None
            found[years] = YearSaid(years=years, said=one, later=_stayed(parts, one.day), known_now=known_now)
    return list(found.values())


def _dates(first: Sequence[Said], parts: Parts | None) -> list[DateSaid]:
    """The first date of each alarm."""
    found, is_open = [], False
    for one in first:
        if not one.alarm:
            is_open = False
        elif one.earliest is not None and not is_open:
            is_open = True
            reached = _reached(parts, one)
            found.append(DateSaid(said=one, reached=reached, is_met=_is_met(one, reached, parts)))
    return found


def _reached(parts: Parts | None, one: Said) -> int | None:
    if parts is None or one.bound is None:
        return None
    over = np.flatnonzero(parts.stays >= one.bound)
    return int(parts.day[over[0]]) if over.size else None


def _is_met(one: Said, reached: int | None, parts: Parts | None) -> bool | None:
    if reached is not None and one.earliest is not None:
        return one.earliest <= reached and (one.latest is None or reached <= one.latest)
    if parts is None or one.latest is None or not np.isfinite(parts.stays[-1]):
        return None
    return False if int(parts.day[-1]) > one.latest else None


def _is_raised(before: Said | None, one: Said) -> bool:
    return bool(one.alarm) and not (before is not None and before.alarm)


def _stayed(parts: Parts | None, day: int) -> float | None:
    """What stayed on a day, as it is estimated now."""
    if parts is None or not parts.day[0] <= day <= parts.day[-1]:
        return None
    value = float(parts.stays[day - int(parts.day[0])])
    return value if np.isfinite(value) else None


def _holds(one: Said, later: float | None) -> bool | None:
    if later is None or one.stays_low is None or one.stays_high is None:
        return None
    return one.stays_low <= later <= one.stays_high
