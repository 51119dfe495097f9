"""Kept looks: each look with its findings, and the last result of every series of a door."""

import io
import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from datetime import datetime

import numpy as np
from sqlalchemy import delete, func, insert, select
from sqlalchemy.orm import Session, defer

from server.inspection.tables import FindingRow, InspectionRow, SeriesResultRow
from server.inspection.values import Finding, Inspection, Parts, SeriesLook

__all__ = [
    "Look",
    "Parts",
    "SeriesResult",
    "findings_of",
    "first_slot",
    "hold",
    "is_looked_at",
    "last_look",
    "last_slot",
    "last_until_ms",
    "nights_since",
    "results_of",
    "save",
    "scope_of",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesResult:
    """The last result of one series; rate and bounds a year, None where refused."""

    key: str
    unit: str
    slot: str
    status: str
    reason: str | None
    rate: float | None
    low: float | None
    high: float | None
    facts: dict[str, object]
    parts: Parts | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """A look that was done: its night, when, and how it ended (`done`, `failed`)."""

    slot: str
    looked: datetime
    status: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """Which night a look is for and how it went. `until_ms`: end of the readings it used."""

    scope: str
    slot: str
    looked: datetime
    until_ms: int
    took_s: float
    status: str = "done"


def scope_of(door_id: int) -> str:
    """The scope under which a door's looks are kept."""
    return f"door/{door_id}"


def hold(session: Session, scope: str) -> None:
    """Let one run at a time go on with a scope, to the end of the transaction.

    On SQLite a transaction that writes is alone already.
    """
    if session.get_bind().dialect.name == "postgresql":
        yard = func.hashtext(func.current_schema())
        session.execute(select(func.pg_advisory_xact_lock(yard, func.hashtext(scope))))


def save(session: Session, inspection: Inspection, when: Slot, *, door_id: int | None = None) -> None:
    """Keep a look and its findings; a second look of one night takes the place of the first.

    With `door_id` the results of its series take the place of the last look's.
    """
    hold(session, when.scope)
    row = session.scalar(
        select(InspectionRow).where(InspectionRow.scope == when.scope, InspectionRow.slot == when.slot)
    )
    if row is None:
        row = InspectionRow(scope=when.scope, slot=when.slot, revision=0)
        session.add(row)
    row.looked, row.until_ms, row.took_s, row.status = when.looked, when.until_ms, when.took_s, when.status
    row.revision += 1
    session.flush()
    session.execute(delete(FindingRow).where(FindingRow.inspection_id == row.id))
    found = [_finding_row(row.id, finding) for finding in inspection.findings]
    if found:
        session.execute(insert(FindingRow), found)
    if door_id is not None:
        session.execute(delete(SeriesResultRow).where(SeriesResultRow.door_id == door_id))
        told = [_series_row(door_id, when.slot, one) for one in inspection.series]
        if told:
            session.execute(insert(SeriesResultRow), told)


def results_of(
    session: Session, door_id: int, *, with_parts: Callable[[str], bool] | None = None
) -> dict[str, SeriesResult]:
    """The last result of each series of a door, by its key; empty before the first look.

    `with_parts`: whether the days of the series of that key are read too, else its `parts` is None; None:
    the days of all.
    """
    asked = select(SeriesResultRow).where(SeriesResultRow.door_id == door_id).order_by(SeriesResultRow.series)
    if with_parts is not None:
        asked = asked.options(defer(SeriesResultRow.parts))
    rows = session.scalars(asked).all()
    return {row.series: _result(row, has_parts=with_parts is None or with_parts(row.series)) for row in rows}


def last_look(session: Session, door_id: int) -> Look | None:
    """The last look at a door; None before the first."""
    query = select(InspectionRow).where(InspectionRow.scope == scope_of(door_id))
    row = session.scalar(query.order_by(InspectionRow.slot.desc()).limit(1))
    return None if row is None else Look(slot=row.slot, looked=row.looked, status=row.status)


def last_slot(session: Session, scope: str) -> str | None:
    """The newest night of a scope that was done."""
    query = select(InspectionRow.slot).where(InspectionRow.scope == scope, InspectionRow.status == "done")
    return session.scalar(query.order_by(InspectionRow.slot.desc()).limit(1))


def first_slot(session: Session, scope: str) -> str | None:
    """The oldest night of a scope that was done."""
    query = select(InspectionRow.slot).where(InspectionRow.scope == scope, InspectionRow.status == "done")
    return session.scalar(query.order_by(InspectionRow.slot).limit(1))


def nights_since(session: Session, scope: str, until_ms: int) -> list[tuple[str, int]]:
    """Nights of a scope whose readings end then or later, oldest first: slot and that end; no void ones."""
    query = select(InspectionRow.slot, InspectionRow.until_ms).where(InspectionRow.scope == scope)
    query = query.where(InspectionRow.until_ms >= until_ms, InspectionRow.status != "void")
    return [(slot, ms) for slot, ms in session.execute(query.order_by(InspectionRow.slot))]


def last_until_ms(session: Session, scope: str) -> int | None:
    """Where the readings of a scope's newest night end; None before the first."""
    query = select(InspectionRow.until_ms).where(InspectionRow.scope == scope, InspectionRow.status != "void")
    return session.scalar(query.order_by(InspectionRow.slot.desc()).limit(1))


def is_looked_at(session: Session, scope: str, slot: str) -> bool:
    """Whether a night of a scope was done."""
    query = select(InspectionRow.id).where(InspectionRow.scope == scope, InspectionRow.slot == slot)
    return session.scalar(query.where(InspectionRow.status == "done")) is not None


def findings_of(session: Session, scope: str, slot: str) -> list[Finding]:
    """What a look of one night found."""
    query = select(FindingRow).join(InspectionRow, InspectionRow.id == FindingRow.inspection_id)
    rows = session.scalars(
        query.where(InspectionRow.scope == scope, InspectionRow.slot == slot).order_by(FindingRow.id)
    )
    return [
        Finding(
            topic=row.topic,
            about=row.about,
            evidence=json.loads(row.evidence),
            rests_on=tuple(json.loads(row.rests_on)),
            unjudged=row.unjudged,
        )
        for row in rows
    ]


def _finding_row(inspection_id: int, finding: Finding) -> dict[str, object]:
    return {
        "inspection_id": inspection_id,
        "topic": finding.topic,
        "about": finding.about,
        "evidence": json.dumps(_finite(finding.evidence)),
        "rests_on": json.dumps(finding.rests_on),
        "unjudged": finding.unjudged,
    }


def _series_row(door_id: int, slot: str, one: SeriesLook) -> dict[str, object]:
    plain = {name: getattr(one, name) for name in ("status", "reason", "rate", "low", "high")}
    return plain | {
        "door_id": door_id,
        "series": one.key,
        "slot": slot,
        "facts": json.dumps(_finite(one.facts)),
        "parts": None if one.parts is None else _packed(one.parts),
    }


def _finite(facts: Mapping[str, object]) -> dict[str, object]:
    """Facts as JSON may hold them: a number that is none is none."""
    return {
        key: None if isinstance(value, float) and not math.isfinite(value) else value
        for key, value in facts.items()
    }


def _packed(parts: Parts) -> bytes:
    held = io.BytesIO()
    arrays = {field.name: getattr(parts, field.name) for field in fields(Parts)}
    day = arrays.pop("day")
    np.savez_compressed(held, day=day, **{name: array.astype(np.float32) for name, array in arrays.items()})
    return held.getvalue()


def _unpacked(held: bytes) -> Parts:
    with np.load(io.BytesIO(held), allow_pickle=False) as arrays:
        return Parts(
            **{
                field.name: arrays[field.name].astype(np.int64 if field.name == "day" else np.float64)
                for field in fields(Parts)
            }
        )


def _result(row: SeriesResultRow, *, has_parts: bool) -> SeriesResult:
    facts = json.loads(row.facts)
    packed = row.parts if has_parts else None
    return SeriesResult(
        key=row.series,
        unit=str(facts.get("unit", "mm")),
        slot=row.slot,
        status=row.status,
        reason=row.reason,
        rate=row.rate,
        low=row.low,
        high=row.high,
        facts=facts,
        parts=None if packed is None else _unpacked(packed),
    )
