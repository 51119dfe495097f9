"""What the ledger keeps: a cause's conditions by night, and the events of its alerts."""

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import cast

from sqlalchemy import (
    CTE,
    JSON,
    ColumnElement,
    Table,
    and_,
    bindparam,
    column,
    delete,
    func,
    insert,
    literal,
    select,
    tuple_,
    update,
)
from sqlalchemy.orm import Session

from server.alerts.delivery.posts import owe
from server.alerts.rules import Change, Condition, Count, Key
from server.alerts.tables import AlertEventRow, AlertRow, ConditionRow

KEPT_NIGHTS = 400
ROW = cast("Table", ConditionRow.__table__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """What may stand once: a joint, a leaf, a box of a site."""

    site_id: int
    topic: str
    about: str
    door_id: int | None = None

    @property
    def key(self) -> Key:
        """Topic and about."""
        return self.topic, self.about


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """When an event is written, on which night, with what evidence; `by` a person, with what was said."""

    at: datetime
    slot: str
    evidence: Mapping[str, object]
    by: str | None = None
    said: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Before:
    """What is known of a cause before a night: its condition and that one's slot, and the night's own.

    `is_later`: a later night is known already.
    """

    condition: Condition | None = None
    slot: str | None = None
    own: Condition | None = None
    is_later: bool = False


def known_keys(session: Session, site_id: int, topics: Iterable[str], begins: str = "") -> set[Key]:
    """Every cause of some topics, with a name that begins so, that a site has a condition of."""
    query = select(ROW.c.topic, ROW.c.about).where(ROW.c.site_id == site_id)
    query = query.where(ROW.c.topic.in_(list(topics)), _begins(session, begins))
    found = session.execute(query.distinct())
    return {(topic, about) for topic, about in found}


def known_by_hour(session: Session, site_id: int) -> set[Key]:
    """Every cause of a site that is looked at each hour: nights leave it to them."""
    query = select(ROW.c.topic, ROW.c.about).where(ROW.c.site_id == site_id, ROW.c.slot.like("%T%"))
    return {(topic, about) for topic, about in session.execute(query.distinct())}


def before_night(session: Session, site_id: int, keys: Iterable[Key], slot: str) -> dict[Key, Before]:
    """What is known of each cause before a night."""
    newest = _newest(session, site_id, sorted(set(keys)), slot)
    nights = [(*key, at) for key, (before, _) in newest.items() for at in (before, slot) if at is not None]
    counts = _counts(session, site_id, nights)
    return {
        key: Before(
            condition=counts.get((*key, before or "")),
            slot=before,
            own=counts.get((*key, slot)),
            is_later=last is not None and last > slot,
        )
        for key, (before, last) in newest.items()
    }


def newest_of(session: Session, cause: Cause, slot: str | None = None) -> tuple[str, Condition] | None:
    """A cause's newest night and its condition, or the newest up to a night."""
    query = select(ROW.c.slot, ROW.c.counts).where(_of(cause))
    if slot is not None:
        query = query.where(ROW.c.slot <= slot)
    row = session.execute(query.order_by(ROW.c.slot.desc()).limit(1)).first()
    return None if row is None else (row.slot, read(row.counts))


def stood_between(session: Session, cause: Cause, first: str, end: str) -> bool:
    """Whether a cause stood on any night from `first` on, before `end`, as now known."""
    query = select(ROW.c.counts).where(_of(cause), ROW.c.slot >= first, ROW.c.slot < end)
    return any(read(counts).standing for counts in session.scalars(query.order_by(ROW.c.slot.desc())))


def keep(session: Session, site_id: int, now: Mapping[Key, Condition], slot: str) -> None:
    """Keep the conditions after a night, in place of those it had; those of long ago go."""
    if not now:
        return
    mine = and_(
        ROW.c.site_id == site_id, ROW.c.topic == bindparam("of_topic"), ROW.c.about == bindparam("of_about")
    )
    causes = [{"of_topic": topic, "of_about": about} for topic, about in sorted(now)]
    for old in (ROW.c.slot == slot, ROW.c.slot < _days_before(slot, KEPT_NIGHTS)):
        session.execute(delete(ROW).where(mine, old), causes)
    rows = [
        {"site_id": site_id, "topic": topic, "about": about, "slot": slot, "counts": written(one)}
        for (topic, about), one in now.items()
    ]
    session.execute(insert(ROW), rows)


def rewrite(session: Session, cause: Cause, slot: str, now: Condition) -> None:
    """Another condition of a night that is kept."""
    mine = and_(_of(cause), ROW.c.slot == slot)
    session.execute(update(ROW).where(mine).values(counts=written(now)))


def forget(session: Session, cause: Cause) -> None:
    """A cause that is no more: nothing is known of it."""
    session.execute(delete(ROW).where(_of(cause)))


def forget_nights(session: Session, first: str) -> None:
    """The conditions of all causes from a night on."""
    session.execute(delete(ROW).where(ROW.c.slot >= first))


def newest_by_cause(session: Session) -> dict[tuple[int, str, str], tuple[str, str]]:
    """Every cause's newest condition, by site, topic and about: its night and what was counted."""
    query = select(ROW.c.site_id, ROW.c.topic, ROW.c.about, ROW.c.slot, ROW.c.counts).order_by(ROW.c.slot)
    rows = session.execute(query)
    return {(row.site_id, row.topic, row.about): (row.slot, written(read(row.counts))) for row in rows}


def written(now: Condition) -> str:
    """A condition as it is kept."""
    made = {
        "counts": _all_written(now.counts),
        "frozen": now.frozen,
        "holds": now.holds,
        "closed": now.closed,
        "hidden": None if now.hidden is None else _all_written(now.hidden),
        "done": now.done,
    }
    return json.dumps(made, sort_keys=True)


def read(counts: str) -> Condition:
    """A condition as it was kept; one of the first versions has no doubts in it."""
    kept = json.loads(counts)
    closed_at, hidden = kept["closed"], kept.get("hidden")
    return Condition(
        counts={code: Count(**count) for code, count in kept["counts"].items()},
        frozen=kept["frozen"],
        holds=kept["holds"],
        closed=None if closed_at is None else (closed_at[0], closed_at[1]),
        hidden=None if hidden is None else {code: Count(**count) for code, count in hidden.items()},
        done=kept.get("done"),
    )


def newest_alerts(session: Session, site_id: int, keys: Iterable[Key]) -> dict[Key, AlertRow]:
    """The newest alert of each cause that ever had one, standing or ended."""
    of = tuple_(AlertRow.topic, AlertRow.about).in_(sorted(set(keys)))
    rows = session.scalars(select(AlertRow).where(AlertRow.site_id == site_id, of).order_by(AlertRow.id))
    return {(row.topic, row.about): row for row in rows}


def is_frozen(session: Session, row: AlertRow) -> bool:
    """Whether an alert was frozen when last something happened to it."""
    kinds = ("raised", "back", "frozen", "thawed")
    query = select(AlertEventRow.kind).where(AlertEventRow.alert_id == row.id, AlertEventRow.kind.in_(kinds))
    return session.scalar(query.order_by(AlertEventRow.id.desc()).limit(1)) == "frozen"


def last_slot_of(session: Session, row: AlertRow, *kinds: str) -> str | None:
    """The night of an alert's newest event of some kinds."""
    query = select(AlertEventRow.slot).where(AlertEventRow.alert_id == row.id, AlertEventRow.kind.in_(kinds))
    return session.scalar(query.order_by(AlertEventRow.id.desc()).limit(1))


def is_written(session: Session, row: AlertRow, kind: str, detail: str) -> bool:
    """Whether an alert has an event of that kind and detail."""
    query = select(AlertEventRow.id).where(AlertEventRow.alert_id == row.id, AlertEventRow.kind == kind)
    return session.scalar(query.where(AlertEventRow.detail == detail).limit(1)) is not None


def write(session: Session, row: AlertRow, change: Change, told: Told) -> None:
    """Put down an event, once, and who is owed it: a rule's event of a night is not written a second time."""
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
    event = AlertEventRow(
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
    session.add(event)
    session.flush()
    owe(session, event.id)


def _all_written(counts: Mapping[str, Count]) -> dict[str, dict[str, object]]:
    return {
        code: {
            "over": one.over, "under": one.under, "idle": one.idle, "since": one.since, "first": one.first,
        }
        for code, one in counts.items()
    }  # fmt: skip


def _newest(
    session: Session, site_id: int, keys: Sequence[Key], slot: str
) -> dict[Key, tuple[str | None, str | None]]:
    """Of each cause the newest night before a night, and the newest of all."""
    asked = _asked(session, keys, "topic", "about")
    mine = (ROW.c.site_id == site_id, ROW.c.topic == asked.c.topic, ROW.c.about == asked.c.about)
    last = select(func.max(ROW.c.slot)).where(*mine)
    query = select(asked, last.where(ROW.c.slot < slot).scalar_subquery(), last.scalar_subquery())
    return {(topic, about): (before, newest) for topic, about, before, newest in session.execute(query)}


def _counts(
    session: Session, site_id: int, nights: Sequence[tuple[str, str, str]]
) -> dict[tuple[str, str, str], Condition]:
    """The conditions of causes after nights, each by topic, about and night."""
    asked = _asked(session, nights, "topic", "about", "slot")
    is_same = [ROW.c[name] == asked.c[name] for name in ("topic", "about", "slot")]
    # not a join: SQLite would go through all nights of the site for each row
    counts_of = select(ROW.c.counts).where(ROW.c.site_id == site_id, *is_same).scalar_subquery()
    rows = session.execute(select(asked, counts_of))
    return {(topic, about, at): read(counts) for topic, about, at, counts in rows if counts is not None}


def _asked(session: Session, rows: Sequence[tuple[str, ...]], *names: str) -> CTE:
    """Rows to be joined: SQLite seeks each in an index, where IN of pairs reads all of a site's nights.

    As one parameter, so that the statement is the same every night and compiled once.
    """
    is_sqlite = session.get_bind().dialect.name == "sqlite"
    rows_of = func.json_each if is_sqlite else func.json_array_elements
    each = rows_of(literal(rows, JSON)).table_valued(column("value", JSON))
    values = (each.c.value[place].as_string().label(name) for place, name in enumerate(names))
    return select(*values).cte("asked")


def _begins(session: Session, name: str) -> ColumnElement[bool]:
    """Names that begin so; on SQLite as a range, which its index can seek."""
    if session.get_bind().dialect.name == "sqlite":
        return and_(ROW.c.about >= name, ROW.c.about < f"{name}\U0010ffff")
    return ROW.c.about.startswith(name, autoescape=True)


def _of(cause: Cause) -> ColumnElement[bool]:
    return and_(ROW.c.site_id == cause.site_id, ROW.c.topic == cause.topic, ROW.c.about == cause.about)


def _days_before(slot: str, days: int) -> str:
    return (date.fromisoformat(slot[:10]) - timedelta(days=days)).isoformat()


def _is_plain(value: object) -> bool:
    return not isinstance(value, float) or math.isfinite(value)
