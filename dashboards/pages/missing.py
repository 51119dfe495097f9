"""What is missing where no rate is said: of what its interval is made, and what would make it narrower."""

import math
from dataclasses import dataclass

from dashboards.pages import words
from dashboards.pages.movement import MOST_COLLINEARITY, Movement

MOST_HALF_WIDTH = 0.10  # a year; a rate known less well is not said. Source: trend, section 9.
Z_95 = 1.96


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """The interval's parts as rows of name and figure, and what would help."""

    rows: tuple[tuple[str, str], ...]
    helps: str


def missing(one: Movement | None) -> Missing | None:
    """What keeps a rate from being said; None where it is said, or where time alone is missing."""
    if one is None or one.why not in ("season", "wide"):
        return None
    rows = [*_width(one), *_season(one), *_days(one)]
    return Missing(rows=tuple(rows), helps=_helps(one)) if rows else None


def _width(one: Movement) -> list[tuple[str, str]]:
    half, drift = one.number("half_width"), one.number("drift_per_year")
    if half is None:
        return []
    year = f"{one.unit} a year"
    rows = [("The readings leave the rate, either way, within", words.measure(half, year))]
    if one.unit == "mm":
        rows.append(("It is said when that is at most", words.measure(MOST_HALF_WIDTH, year)))
    if drift is not None:
        own = Z_95 * drift
        rest = math.sqrt(max(half * half - own * own, 0.0))
        rows.append(("of which the gauges’ own drift alone", words.measure(own, year)))
        rows.append(("of which noise, gaps and the season alone", words.measure(rest, year)))
    return rows


def _season(one: Movement) -> list[tuple[str, str]]:
    cost = one.number("collinearity")
    if cost is None:
        return []
    name = f"The season makes it wider by a factor of (at most {MOST_COLLINEARITY:.0f})"
    return [(name, words.number(cost, 1))]


def _days(one: Movement) -> list[tuple[str, str]]:
    seen, first, last = (one.number(key) for key in ("days_seen", "first_day", "last_day"))
    if seen is None or first is None or last is None:
        return []
    return [("Days with a reading", f"{seen:.0f} of {last - first + 1:.0f}")]


def _helps(one: Movement) -> str:
    if one.why == "season":
        return "one more dry season, heard without gaps"
    return words.HELPS.get(one.word("help") or "", "more years")
