"""One series of a door as the pages need it: what is told of it, and why the rest is not."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from dashboards.pages import words
from server.inspection.results import Parts, SeriesResult

YEAR_DAYS, LEAST_DAYS, MOST_COLLINEARITY = 365, 180, 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """Between which days since 1970 a limit may be reached, 19 times in 20; `latest` None: not known yet."""

    earliest: int
    latest: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """A sudden lasting shift: the day since 1970 and its size in the unit of the series, + is worse."""

    day: int
    size: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Movement:
    """One series as a page needs it; `why` no rate is said: `year`, `season`, `wide`, `kit`, `other`."""

    key: str
    unit: str
    status: str
    why: str | None
    reason: str
    rate: float | None
    low: float | None
    high: float | None
    facts: Mapping[str, object]
    parts: Parts | None

    def number(self, key: str) -> float | None:
        """A figure of the look, None where it has none."""
        return _real(self.facts, key)

    def word(self, key: str) -> str | None:
        """A word of the look, None where it has none."""
        value = self.facts.get(key)
        return value if isinstance(value, str) else None

    @property
    def is_untold(self) -> bool:
        """Whether its gauges do not tell it apart from other movements, so that it has no number at all."""
        return self.why == "kit" and self.number("now") is None

    @property
    def is_told(self) -> bool:
        """Whether season and set are told apart."""
        return self.why is None and self.number("stays") is not None and self.number("now") is not None

    @property
    def is_growing(self) -> bool:
        """Whether growth is told apart from none."""
        return self.why is None and self.low is not None and self.low > 0

    @property
    def bounds(self) -> tuple[float, float] | None:
        """The 95 % bounds of what stays; None where it is not told."""
        low, high = self.number("stays_low"), self.number("stays_high")
        return (low, high) if self.is_told and low is not None and high is not None else None

    @property
    def may_be_past(self) -> bool:
        """Whether the bounds of what stays reach its limit."""
        limit = self.number("limit")
        return self.bounds is not None and limit is not None and self.bounds[1] >= limit

    @property
    def is_alarmed(self) -> bool:
        """Whether the alarm of the trend stands: it began to run away."""
        return self.facts.get("alarm") is True

    @property
    def ahead(self) -> Ahead | None:
        """When it may reach its limit, with a standing alarm alone; None where no date is given."""
        told = self.facts.get("forecast")
        if not self.is_alarmed or not isinstance(told, Mapping):
            return None
        earliest, latest = _real(told, "earliest"), _real(told, "latest")
        if earliest is None:
            return None
        return Ahead(earliest=int(earliest), latest=None if latest is None else int(latest))

    @property
    def steps(self) -> tuple[Shift, ...]:
        """Sudden lasting shifts that were found and that nobody had logged, oldest first."""
        told = self.facts.get("found_steps")
        rows = told if isinstance(told, list | tuple) else ()
        return tuple(Shift(day=int(row[0]), size=float(row[1])) for row in sorted(rows) if len(row) >= 2)

    @property
    def split(self) -> words.Split | None:
        """What is shown of it, None while season and set are not told apart."""
        now, stays = self.number("now"), self.number("stays")
        return words.split(now, stays) if self.why is None and now is not None and stays is not None else None

    @property
    def shown_parts(self) -> Parts | None:
        """What may be drawn: without what stays while that is not told."""
        if self.parts is None or self.parts.day.size == 0:
            return None
        if self.why is None:
            return self.parts
        none = np.full(self.parts.day.size, np.nan)
        return Parts(
            day=self.parts.day,
            seen=self.parts.seen,
            stays=none,
            stays_low=none,
            stays_high=none,
            back=none,
            moisture=self.parts.moisture,
        )


def movement(result: SeriesResult) -> Movement:
    """A result as the pages need it."""
    return Movement(
        key=result.key,
        unit=result.unit,
        status=result.status,
        why=_why(result),
        reason=result.reason or "",
        rate=result.rate,
        low=result.low,
        high=result.high,
        facts=result.facts,
        parts=result.parts,
    )


def _why(result: SeriesResult) -> str | None:
    if result.status != "refused" and None not in (result.rate, result.low, result.high):
        return None
    if result.facts.get("told") == "not_told" and result.facts.get("line") != "none":
        return "kit"
    return "year" if _is_short(result.facts) else _unsure(result.facts)


def _is_short(facts: Mapping[str, object]) -> bool:
    first, last, seen = (_real(facts, key) for key in ("first_day", "last_day", "days_seen"))
    under_a_year = first is not None and last is not None and last - first + 1 < YEAR_DAYS
    return under_a_year or (seen is not None and seen < LEAST_DAYS)


def _unsure(facts: Mapping[str, object]) -> str:
    together, half = _real(facts, "collinearity"), _real(facts, "half_width")
    if together is not None and together > MOST_COLLINEARITY:
        return "season"
    return "wide" if half is not None else "other"


def _real(facts: Mapping[str, object], key: str) -> float | None:
    value = facts.get(key)
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    number = float(value) if is_number else np.nan  # type: ignore[arg-type]  # a number by the line above
    return number if np.isfinite(number) else None
