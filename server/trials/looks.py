"""Looks at a sealed trial: made from tonight's pairs, kept, and read again."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from server.trend import trial
from server.trend.trial import TELLING, Bounds, Doubt, Look
from server.trend.trial_pairs import PairNight, Served, all_served, carried
from server.trend.trial_pool import Estimate, pool, pool_groups
from server.trials.canonical import shown
from server.trials.declared import YEAR_DAYS, Declared, spoken
from server.trials.refusals import DeclarationError, HorizonError, SealedError
from server.trials.store import Trial, find
from server.trials.tables import TrialLookRow

EPOCH = date(1970, 1, 1)
NOT_ALL_SERVED = "not_all_served"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """Both looks of one night: at the declared scope, and at the other one, where there is one."""

    declared: Look
    other: Look | None
    tau: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptLook:
    """A look as it is kept. Numbers are None while a pair has never been served.

    `night` counts days since 1970; `again`: how often that night was looked at before.
    """

    night: int
    again: int
    pairs: int
    estimate: float | None
    se: float | None
    tau: float | None
    factor: float | None
    low: float | None
    high: float | None
    word: str
    why: str | None
    facts: Mapping[str, object]

    @property
    def is_told(self) -> bool:
        """Whether the word is one that stays told."""
        return self.word in TELLING


@dataclass(frozen=True, slots=True, kw_only=True)
class Tonight:
    """What the night brings. `pairs`: in the record's order; of groups the doors of a, then of b.

    `facts` are what the numbers rest on: versions of doors, numbers of calibrations.
    """

    night: int
    pairs: Sequence[PairNight]
    doubt: Doubt | None = None
    facts: Mapping[str, object] | None = None


def look(session: Session, name: str, tonight: Tonight) -> KeptLook:
    """Look at a trial on a night, and keep it; one more look at the same night is kept beside the first.

    Raises UnknownTrialError; SealedError for a record that was replaced or withdrawn; HorizonError for a
    night outside the trial; DeclarationError for another number of pairs than it declares.
    """
    found = find(session, name)
    _refuse_night(found, tonight)
    last = _last_served(session, found, tonight.night)
    served = [carried(before, now) for before, now in zip(last, tonight.pairs, strict=True)]
    before = bounds_before(session, found.seal, tonight.night)
    pooled = looked(found.declared, tonight, all_served(served), before)
    row = _row(found, tonight, pooled, served)
    row.again = session.scalar(_times_looked(found.seal, tonight.night)) or 0
    session.add(row)
    session.flush()
    return _kept(row)


def looked(
    declared: Declared, tonight: Tonight, served: Sequence[Served] | None, before: Bounds | None
) -> Pooled | None:
    """The looks at the pairs as they were last served; None while one of them never was."""
    if served is None:
        return None
    years = years_since(declared.starts_on, tonight.night)
    doors, kind, tau = estimates(declared, served)
    scope, other = (kind, doors) if declared.scope == "kind" else (doors, kind)
    if scope is None:
        raise DeclarationError("look at a kind", "2 pairs or more", str(len(served)))

    def at(estimate: Estimate, known: Bounds | None) -> Look:
        return trial.look(
            estimate,
            years,
            declared.horizon_years,
            declared.band,
            method=declared.method,
            doubt=tonight.doubt,
            before=known,
        )

    return Pooled(declared=at(scope, before), other=None if other is None else at(other, None), tau=tau)


def estimates(
    declared: Declared, served: Sequence[Served]
) -> tuple[Estimate | None, Estimate | None, float | None]:
    """What is known of these doors and of the kind, and the spread between pairs."""
    d, se = [one.d for one in served], [one.se for one in served]
    if declared.design == "groups":
        side = len(declared.a)
        return None, pool_groups(d[:side], se[:side], d[side:], se[side:]), None
    both = pool(d, se)
    return both.doors, both.kind, both.tau


def years_since(starts_on: date, night: int) -> float:
    """Years of 365.25 days from the start to a night."""
    return (night - (starts_on - EPOCH).days) / YEAR_DAYS


def looks_of(session: Session, seal: str) -> tuple[KeptLook, ...]:
    """All looks at a trial in order, recomputed ones after the first."""
    query = select(TrialLookRow).where(TrialLookRow.seal == seal)
    return tuple(
        _kept(row) for row in session.scalars(query.order_by(TrialLookRow.night, TrialLookRow.again))
    )


def told(session: Session, seal: str) -> KeptLook | None:
    """The first look that told something: it stays told, whatever later nights say. None for none yet."""
    query = select(TrialLookRow).where(TrialLookRow.seal == seal, TrialLookRow.word.in_(TELLING))
    row = session.scalar(query.order_by(TrialLookRow.night, TrialLookRow.again).limit(1))
    return None if row is None else _kept(row)


def bounds_before(session: Session, seal: str, night: int) -> Bounds | None:
    """The greatest lower and least upper bound of all earlier nights, each by its newest look."""
    newest = {one.night: one for one in looks_of(session, seal) if one.night < night}
    found: Bounds | None = None
    for one in newest.values():
        if one.low is not None and one.high is not None:
            found = trial.together(found, one.low, one.high)
    return found


def could_tell_on(declared: Declared, years: float) -> date:
    """The day `years` after the start, rounded to the next whole one."""
    return declared.starts_on + timedelta(days=-int(-years * YEAR_DAYS // 1))


def _times_looked(seal: str, night: int) -> Select[int]:
    return select(func.count()).where(TrialLookRow.seal == seal, TrialLookRow.night == night)


def _refuse_night(found: Trial, tonight: Tonight) -> None:
    asked, declared = f"look at trial {shown(found.seal)}", found.declared
    if not found.stands:
        came = f"one replaced by {shown(found.replaced_by)}" if found.replaced_by else "one withdrawn"
        raise SealedError(asked, "the record that stands", came)
    day = EPOCH + timedelta(days=tonight.night)
    if not declared.starts_on < day <= found.last_day:
        needed = f"a night after {spoken(declared.starts_on)} and up to {spoken(found.last_day)}, its last"
        raise HorizonError(asked, needed, spoken(day))
    needed_pairs = len(declared.a) + (len(declared.b) if declared.design == "groups" else 0)
    if len(tonight.pairs) != needed_pairs:
        raise DeclarationError(asked, f"{needed_pairs} results in its order", str(len(tonight.pairs)))


def _last_served(session: Session, found: Trial, night: int) -> list[Served | None]:
    query = select(TrialLookRow).where(TrialLookRow.seal == found.seal, TrialLookRow.night < night)
    row = session.scalar(query.order_by(TrialLookRow.night.desc(), TrialLookRow.again.desc()).limit(1))
    if row is None:
        size = len(found.declared.a) + (len(found.declared.b) if found.declared.design == "groups" else 0)
        return [None] * size
    facts: dict[str, Any] = json.loads(row.facts)
    return [None if one["served"] is None else Served(**one["served"]) for one in facts["pairs"]]


def _row(
    found: Trial, tonight: Tonight, pooled: Pooled | None, served: Sequence[Served | None]
) -> TrialLookRow:
    seen = None if pooled is None else pooled.declared
    other = None if pooled is None else pooled.other
    pairs = [
        {"served": None if one is None else asdict(one), "refused": now.refused, "ended": now.ended}
        for one, now in zip(served, tonight.pairs, strict=True)
    ]
    facts = {
        "pairs": pairs,
        "other": None if other is None else asdict(other),
        "could_tell_years": None if seen is None else seen.could_tell_years,
        "rests_on": dict(tonight.facts or {}),
    }
    return TrialLookRow(
        seal=found.seal,
        night=tonight.night,
        pairs=found.declared.size,
        estimate=None if seen is None else seen.estimate.value,
        se=None if seen is None else seen.estimate.se,
        tau=None if pooled is None else pooled.tau,
        factor=None if seen is None else seen.factor,
        low=None if seen is None else seen.low,
        high=None if seen is None else seen.high,
        word="not_to_be_compared" if seen is None else seen.word,
        why=(tonight.doubt or NOT_ALL_SERVED) if seen is None else seen.why,
        facts=json.dumps(facts, allow_nan=False, sort_keys=True),
    )


def _kept(row: TrialLookRow) -> KeptLook:
    return KeptLook(
        night=row.night,
        again=row.again,
        pairs=row.pairs,
        estimate=row.estimate,
        se=row.se,
        tau=row.tau,
        factor=row.factor,
        low=row.low,
        high=row.high,
        word=row.word,
        why=row.why,
        facts=json.loads(row.facts),
    )
