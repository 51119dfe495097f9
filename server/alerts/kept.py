"""What the ledger keeps: a cause's conditions by night, and the events of its alerts."""

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from server.alerts.rules import Change, Condition, Count
from server.alerts.tables import AlertEventRow, AlertRow, ConditionRow

KEPT_NIGHTS = 400
RECENT_NIGHTS = 16  # enough to look the last 8 nights anew from the one before them


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """What may stand once: a joint, a leaf, a box of a site."""

    site_id: int
    topic: str
    about: str
    door_id: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """When an event is written, on which night, with what evidence; `by` a person, with what was said."""

    at: datetime
    slot: str
    evidence: Mapping[str, object]
    by: str | None = None
    said: str | None = None


def conditions_of(session: Session, cause: Cause) -> list[ConditionRow]:
    """The newest nights of a cause, oldest first."""
    query = select(ConditionRow).where(
        ConditionRow.site_id == cause.site_id,
        ConditionRow.topic == cause.topic,
        ConditionRow.about == cause.about,
    )
    return list(session.scalars(query.order_by(ConditionRow.slot.desc()).limit(RECENT_NIGHTS)))[::-1]


def keep(session: Session, cause: Cause, row: ConditionRow | None, now: Condition, slot: str) -> None:
    """Keep a cause's condition after a night; those of long ago go."""
    if row is None:
        row = ConditionRow(site_id=cause.site_id, topic=cause.topic, about=cause.about, slot=slot)
        session.add(row)
    row.counts = written(now)
    oldest = (date.fromisoformat(slot) - timedelta(days=KEPT_NIGHTS)).isoformat()
    mine = (ConditionRow.site_id == cause.site_id) & (ConditionRow.topic == cause.topic)
    session.execute(
        delete(ConditionRow).where(mine, ConditionRow.about == cause.about, ConditionRow.slot < oldest)
    )
    session.flush()


def written(now: Condition) -> str:
    """A condition as it is kept."""
    return json.dumps(asdict(now))


def condition_of(row: ConditionRow) -> Condition:
    """The condition of a row."""
    kept = json.loads(row.counts)
    counts = {code: Count(**count) for code, count in kept["counts"].items()}
    closed_at = kept["closed"]
    return Condition(
        counts=counts,
        frozen=kept["frozen"],
        holds=kept["holds"],
        closed=None if closed_at is None else (closed_at[0], closed_at[1]),
    )


def is_frozen(session: Session, row: AlertRow) -> bool:
    """Whether an alert was frozen when last something happened to it."""
    kinds = ("raised", "back", "frozen", "thawed")
    query = select(AlertEventRow.kind).where(AlertEventRow.alert_id == row.id, AlertEventRow.kind.in_(kinds))
    return session.scalar(query.order_by(AlertEventRow.id.desc()).limit(1)) == "frozen"


def write(session: Session, row: AlertRow, change: Change, told: Told) -> None:
    """Put down an event, once: a rule's event of a night is not written a second time."""
    same = (
        (AlertEventRow.alert_id == row.id)
        & (AlertEventRow.slot == told.slot)
        & (AlertEventRow.kind == change.kind)
        & (AlertEventRow.step == change.step)
        & (AlertEventRow.detail == change.detail)
        & AlertEventRow.by.is_(None)
    )
    if told.by is None and session.scalar(select(AlertEventRow.id).where(same)) is not None:
        return
    session.add(
        AlertEventRow(
            alert_id=row.id,
            slot=told.slot,
            at=told.at,
            kind=change.kind,
            step=change.step,
            detail=change.detail,
            evidence=json.dumps({key: value for key, value in told.evidence.items() if _is_plain(value)}),
            words=told.said,
            by=told.by,
        )
    )
    session.flush()


def _is_plain(value: object) -> bool:
    return not isinstance(value, float) or math.isfinite(value)
