"""What a declared trial could tell, before it is sealed, and what its maker is to be warned of."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from server.trend import trial_plan
from server.trend.trial_error import DROOP_MM, TURN_MRAD
from server.trend.trial_plan import Ask, Plan
from server.trials.declared import FEWEST_PAIRS_FOR_A_KIND, YEAR_DAYS, method_of, sides_of
from server.trials.refusals import DeclarationError

Warned = Literal["two_pairs_for_a_kind", "chance_under_half", "readings_already_seen", "not_in_one_room"]

SPREADS = (0.02, 0.04, 0.06)
"""Between-pair standard deviations of droop, mm a year: assumed, no source gives one."""
PER_N_M, PER_OPENINGS = 100.0, 10_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class KindPlan:
    """The chance that the kind is told by the end of each whole year, at an assumed spread between pairs."""

    spread: float
    by_year: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """The planner's figures for these doors and, of 2 pairs or more, for the kind.

    `may_promise_no_difference`: whether the bounds at the end can lie inside the band at all.
    """

    doors: Plan
    kind: tuple[KindPlan, ...]
    pairs_needed: int
    may_promise_no_difference: bool


def plan(
    ask: Ask, rng: np.random.Generator, *, between: float | None = None, band: float | None = None
) -> Planned:
    """The figures for a trial as it might be; `band` is its difference unless another is given.

    `between`: standard deviation between pairs; without one three are assumed.
    Raises OutOfRangeError as the planner.
    """
    doors = trial_plan.plan(ask)
    spreads = SPREADS if between is None else (between,)
    scale = 1.0 if between is not None else _as_droop(ask)
    kind = tuple(_kind(ask, spread * scale, rng) for spread in spreads)
    return Planned(
        doors=doors,
        kind=kind if ask.pairs >= FEWEST_PAIRS_FOR_A_KIND else (),
        pairs_needed=trial_plan.pairs_needed(ask),
        may_promise_no_difference=doors.half_width_at_end <= (band or ask.difference),
    )


def ask_of(record: Mapping[str, object], openings_a_year: float | None = None) -> Ask:
    """What a draft or a record asks of its trial: to find the difference that matters.

    A turn's error is taken to 100 N·m by the geometric mean of the sealed moments, and to 10,000 openings
    by `openings_a_year`. Raises DeclarationError where such a trial is asked for without them.
    """
    a, b = sides_of(record)
    error, quantity = DROOP_MM, record["quantity"]
    if quantity != "droop":
        error = TURN_MRAD.times(PER_N_M / _mean_moment([*a, *b]))
    if quantity == "turn_per_100_n_m_per_10000":
        if openings_a_year is None:
            raise DeclarationError("plan per 10,000 openings", "the doors' openings a year", "none")
        error = error.times(PER_OPENINGS / openings_a_year)
    return Ask(
        pairs=min(len(a), len(b)),
        horizon_years=int(str(record["horizon_days"])) / YEAR_DAYS,
        difference=float(str(record["band"])),
        error=error,
        method=method_of(record),
    )


def warned(
    record: Mapping[str, object], ask: Ask, *, is_seen: bool, in_one_room: bool = True
) -> tuple[Warned, ...]:
    """What is said before sealing, none of which forbids it. `is_seen`: readings of its joints were heard."""
    is_kind = record["scope"] == "kind" and record["design"] == "pairs"
    found: dict[Warned, bool] = {
        "two_pairs_for_a_kind": is_kind and ask.pairs == FEWEST_PAIRS_FOR_A_KIND,
        "chance_under_half": trial_plan.chance_told(ask, ask.horizon_years) < trial_plan.EVEN,
        "readings_already_seen": is_seen,
        "not_in_one_room": not in_one_room,
    }
    return tuple(name for name, holds in found.items() if holds)


def _kind(ask: Ask, spread: float, rng: np.random.Generator) -> KindPlan:
    if ask.pairs < FEWEST_PAIRS_FOR_A_KIND:
        return KindPlan(spread=spread, by_year=())
    by_year = trial_plan.chance_told_kind(ask, spread, rng)
    return KindPlan(spread=spread, by_year=tuple(float(one) for one in by_year))


def _as_droop(ask: Ask) -> float:
    """How large the errors are beside those of droop, at the end."""
    return float(ask.error.at(ask.horizon_years) / DROOP_MM.at(ask.horizon_years))


def _mean_moment(sides: list[dict[str, object]]) -> float:
    moments: list[float] = []
    for side in sides:
        given = side["moment_n_m"]
        moments.extend(float(str(one)) for one in (given if isinstance(given, list) else [given]))
    return math.exp(sum(math.log(one) for one in moments) / len(moments))
