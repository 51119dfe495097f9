"""Two doors compared night after night: fitted anew at the appointed ages, else by what was kept."""

from dataclasses import dataclass, replace

import numpy as np

from server.trend.answer import Decomposition, Kept
from server.trend.compare import Comparison
from server.trend.paired import Side, compare, compare_sides
from server.trend.refit import refit
from server.trend.series import Daily, DoorFacts
from server.trend.together import Shares
from server.trend.tonight import laid_out, tonight
from server.trend.watch import is_near, refit_ages

Two = tuple[Kept, Kept]


@dataclass(frozen=True, slots=True, kw_only=True)
class PairKept:
    """What the nights until the next fit need: both fits, what the doors share, and when they were fitted."""

    doors: Two
    shares: Shares | None
    age: int
    """Days from the first that both have to the day of the fit."""
    refusal: str | None = None
    """Why the fit would not compare, for the nights until the next."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairDays:
    """Two doors' records up to a night, cut where the comparison begins; b was hung `later_days` after a.

    watched: what each door's own watch carries tonight; its steps and the days it put by count here too.
    """

    a: Daily
    b: Daily
    facts: tuple[DoorFacts, DoorFacts]
    later_days: int = 0
    watched: tuple[Kept | None, Kept | None] = (None, None)

    @property
    def age(self) -> int:
        """Days from the first to the last that both have."""
        first = max(int(self.a.day[0]), int(self.b.day[0]) + self.later_days)
        return min(int(self.a.day[-1]), int(self.b.day[-1]) + self.later_days) - first


def paired_tonight(days: PairDays, kept: PairKept | None) -> tuple[Comparison, PairKept | None]:
    """The comparison of a night, and what is kept for the next.

    Fitted anew where nothing is kept or an age at which doors are refitted has passed since: hand in None
    after a mark or a late reading. Refuses as `compare`; before a year shared nothing is fitted.
    """
    ages = refit_ages(days.age)
    if not ages:
        came = max(days.age + 1, 0)
        return Comparison(status="refused", reason="first_year", days_shared=came), None
    if kept is None or kept.age < ages[-1]:
        return _fitted(days)
    if kept.refusal is not None:
        return Comparison(status="refused", reason=kept.refusal), kept
    sides = [
        side_of(with_watched(own, watched, int(daily.day[0])), daily, facts)
        for own, watched, daily, facts in zip(
            kept.doors, days.watched, (days.a, days.b), days.facts, strict=True
        )
    ]
    if sides[0] is None or sides[1] is None:
        return Comparison(status="refused", reason="too_few_days"), kept
    said = compare_sides(sides[0], sides[1], days.facts[1], later_days=days.later_days, shares=kept.shares)
    return said, kept


def rated_tonight(
    daily: Daily, facts: DoorFacts, kept: Kept | None, watched: Kept | None = None
) -> Decomposition:
    """One door's rate on a night, by what was kept of its last fit unless an age for another has come."""
    first = int(daily.day[0])
    ages = refit_ages(int(daily.day[-1]) - first)
    if kept is None or (ages and kept.through - first < ages[-1]):
        return refit(daily, facts)
    return tonight(with_watched(kept, watched, first), daily, facts)


def side_of(kept: Kept, daily: Daily, facts: DoorFacts) -> Side | None:
    """A door's series laid out with what was kept of its fit; None where too little is left of it."""
    laid = laid_out(kept, daily, facts)
    if isinstance(laid, Decomposition):
        return None
    return Side(
        day=laid.day,
        y=np.where(np.isin(laid.day, kept.unseen), np.nan, laid.ready.y),
        columns=laid.columns,
        noise=kept.noise,
        settled=laid.ready.settled,
        drift_per_year=facts.drift_per_year,
    )


def _fitted(days: PairDays) -> tuple[Comparison, PairKept | None]:
    a, b = (refit(one, facts) for one, facts in zip((days.a, days.b), days.facts, strict=True))
    said = compare(a, b, days.facts[1], later_days=days.later_days)
    if a.kept is None or b.kept is None:
        return said, None
    refusal = "season" if "season" in (a.reason, b.reason) else None
    return said, PairKept(doors=(a.kept, b.kept), shares=said.shares, age=days.age, refusal=refusal)


def with_watched(own: Kept, watched: Kept | None, first_day: int) -> Kept:
    """With the steps found and the days put by since, of those within the record."""
    if watched is None:
        return own
    new = (day for day in watched.steps if day > first_day and not is_near(day, own.steps))
    return replace(
        own,
        steps=tuple(dict.fromkeys((*own.steps, *new))),
        unseen=tuple(dict.fromkeys((*own.unseen, *watched.unseen))),
    )
