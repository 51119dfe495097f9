"""Folding again: past nights, looks of a clock that ran ahead, and the ledger against its own events."""

import logging
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from sqlalchemy import and_, or_, select, update
from sqlalchemy.orm import Session

from server.alerts import kept, rules
from server.alerts.kept import Cause, Told
from server.alerts.recording import Night, record, record_house
from server.alerts.rules import Change
from server.alerts.steps import NEWS
from server.alerts.tables import AlertEventRow, AlertRow
from server.alerts.views import events_of
from server.doors.register import DoorHung, list_doors
from server.inspection.results import findings_of, scope_of
from server.inspection.tables import InspectionRow
from server.inspection.values import Inspection

log = logging.getLogger(__name__)

NEVER = datetime(1970, 1, 1, tzinfo=UTC)
STATE = ("raised", "step", "worst", "seen", "left_until", "ended", "how")


@dataclass(slots=True, kw_only=True)
class _State:
    """An alert's present state as its events give it."""

    raised: str = ""
    step: str = ""
    worst: str = ""
    seen: datetime | None = None
    left_until: str | None = None
    ended: str | None = None
    how: str | None = None


def fold_again(session: Session, door: DoorHung, *, first: str, end: str) -> list[str]:
    """Fold a door's nights again from what their looks found: from `first` on, before `end`. Gives them.

    To be called after looks of past nights found something else; the night that follows says what changed.
    """
    slots = [slot for slot, _ in _looks(session, scope_of(door.id), first) if slot < end]
    for slot in slots:
        _record_again(session, door, slot)
    return slots


def void_ahead(session: Session, *, slot: str, at: datetime) -> list[str]:
    """Take back looks of nights after `slot`, made while the clock ran ahead. Gives their nights.

    They are marked void and the fold leaves them out; the alerts they raised end as contradicted. An hour's
    look ran ahead if its hour has not come.
    """
    by_hour, hour = InspectionRow.slot.like("%T%"), hour_of(at)
    later = or_(and_(~by_hour, InspectionRow.slot > slot), and_(by_hour, InspectionRow.slot > hour))
    ahead = later, InspectionRow.status != "void"
    nights = sorted(set(session.scalars(select(InspectionRow.slot).where(*ahead))))
    if not nights:
        return []
    log.warning("clock_ahead: looks of %s to %s are void", nights[0], nights[-1])
    session.execute(update(InspectionRow).where(*ahead).values(status="void"))
    kept.forget_nights(session, nights[0])
    for row in session.scalars(select(AlertRow).where(AlertRow.ended.is_(None)).order_by(AlertRow.id)):
        raised = kept.last_slot_of(session, row, "raised") or slot
        if raised > (hour if "T" in raised else slot):
            row.ended, row.how = slot, "contradicted"
            ended = Change(kind="ended", step=row.step, detail="contradicted")
            kept.write(session, row, ended, Told(at=at, slot=slot, evidence={"about": row.about}))
    session.flush()
    return nights


def hour_of(at: datetime) -> str:
    """The slot of an hour's look at the house."""
    return f"{at.astimezone(UTC):%Y-%m-%dT%H}"


def house_scope(site: str) -> str:
    """The scope of a site's hourly looks."""
    return f"house/{site}"


def differences(session: Session) -> list[str]:
    """Where the ledger differs from its own events and findings, in sentences; nothing is changed."""
    told = [line for row in _alerts(session) for line in _alert_differences(session, row)]
    nested = session.begin_nested()
    before = kept.newest_by_cause(session)
    _fold_all(session)
    after = kept.newest_by_cause(session)
    nested.rollback()
    session.expire_all()
    # a look that failed and was made good is not among the findings any more, and left nothing counted
    rests = {key for key, (_, counts) in before.items() if key not in after and kept.read(counts).is_at_rest}
    keys = sorted((set(before) | set(after)) - rests)
    return told + [
        _differs(key, before.get(key), after.get(key)) for key in keys if before.get(key) != after.get(key)
    ]


def rebuild(session: Session) -> list[str]:
    """Write alerts anew from their events, and conditions from the findings. Gives what differed."""
    differed = differences(session)
    for row in _alerts(session):
        for name, value in _replayed(session, row).items():
            setattr(row, name, value)
    _fold_all(session)
    session.flush()
    return differed


def _alerts(session: Session) -> list[AlertRow]:
    return list(session.scalars(select(AlertRow).order_by(AlertRow.id)))


def _alert_differences(session: Session, row: AlertRow) -> Iterator[str]:
    for name, value in _replayed(session, row).items():
        if getattr(row, name) != value:
            yield f"alert {row.id}: {name} is {getattr(row, name)}, its events say {value}"


def _replayed(session: Session, row: AlertRow) -> Mapping[str, object]:
    state = _State()
    for event in events_of(session, row):
        _replay(state, event, is_news=row.topic == NEWS)
    return {name: getattr(state, name) for name in STATE}


def _replay(state: _State, event: AlertEventRow, *, is_news: bool) -> None:
    state.step = event.step
    if not state.worst or rules.STEPS[event.step].rank > rules.STEPS[state.worst].rank:
        state.worst = event.step
    if event.kind == "raised":
        state.raised = event.detail.removeprefix("since ") or event.slot
        state.ended, state.how = (event.slot, "told") if is_news else (None, None)
    if event.kind in ("rose", "back", "carries"):
        state.seen = state.left_until = None
    if event.kind == "back":
        state.ended = state.how = None
    if event.kind == "seen":
        state.seen = event.at
    if event.kind == "left":
        state.left_until = event.detail
    if event.kind == "ended":
        state.ended, state.how = event.slot, event.detail


def _differs(key: tuple[int, str, str], now: tuple[str, str] | None, then: tuple[str, str] | None) -> str:
    nights = {one[0] for one in (now, then) if one is not None}
    what = "is kept and was never found" if then is None else "was found and is not kept"
    if now is not None and then is not None:
        what = "is not what its nights count to"
    return f"{key[1]} {key[2]}: its condition of {max(nights)} {what}"


def _fold_all(session: Session) -> None:
    """Fold every kept night of every site again, boxes first, with what people closed on the way."""
    newest = session.scalar(select(InspectionRow.slot).order_by(InspectionRow.slot.desc()).limit(1))
    if newest is None:
        return
    first = (date.fromisoformat(newest[:10]) - timedelta(days=kept.KEPT_NIGHTS - 1)).isoformat()
    kept.forget_nights(session, first)
    session.expire_all()
    doors = list_doors(session)
    for site in sorted({door.site for door in doors}):
        _fold_site(session, site, [door for door in doors if door.site == site], first)


def _fold_site(session: Session, site: str, doors: list[DoorHung], first: str) -> None:
    house = {slot: f"site/{site}" for slot, _ in _looks(session, f"site/{site}", first)}
    house |= {slot: house_scope(site) for slot, _ in _looks(session, house_scope(site), first)}
    looks = {door.id: {slot for slot, _ in _looks(session, scope_of(door.id), first)} for door in doors}
    acts = _closings(session, first)
    for slot in sorted(set(house).union(*looks.values())):
        if slot in house:
            findings = tuple(findings_of(session, house[slot], slot))
            night = Night(slot=slot, at=NEVER, past=True)
            record_house(session, Inspection(findings=findings), site=site, doors=doors, night=night)
        for door in doors:
            if slot in looks[door.id]:
                _record_again(session, door, slot)
        _close_again(session, acts, slot)


def _record_again(session: Session, door: DoorHung, slot: str) -> None:
    scope = scope_of(door.id)
    status = session.scalar(
        select(InspectionRow.status).where(InspectionRow.scope == scope, InspectionRow.slot == slot)
    )
    night = Night(slot=slot, at=NEVER, past=True, failed=status == "failed")
    record(session, Inspection(findings=tuple(findings_of(session, scope, slot))), door=door, night=night)


def _looks(session: Session, scope: str, first: str) -> list[tuple[str, str]]:
    query = select(InspectionRow.slot, InspectionRow.status).where(InspectionRow.scope == scope)
    query = query.where(InspectionRow.slot >= first, InspectionRow.status != "void")
    return [(slot, status) for slot, status in session.execute(query.order_by(InspectionRow.slot))]


def _closings(session: Session, first: str) -> list[tuple[str, str, Cause, str]]:
    """What people closed or retired: night, how, cause, step; oldest first."""
    query = (
        select(AlertEventRow, AlertRow)
        .join(AlertRow, AlertRow.id == AlertEventRow.alert_id)
        .where(AlertEventRow.kind == "ended", AlertEventRow.detail.in_(("person", "retired")))
        .where(AlertEventRow.slot >= first)
        .order_by(AlertEventRow.id)
    )
    return [
        (event.slot, event.detail, Cause(site_id=row.site_id, topic=row.topic, about=row.about), event.step)
        for event, row in session.execute(query)
    ]


def _close_again(session: Session, acts: list[tuple[str, str, Cause, str]], slot: str) -> None:
    """What was closed on this night's day, after its look."""
    for night, how, cause, step in acts:
        if night != slot[:10]:
            continue
        last = kept.newest_of(session, cause, slot)
        if how == "retired":
            kept.forget(session, cause)
        elif last is not None:
            kept.rewrite(session, cause, last[0], rules.closed_by_person(last[1], step=step, night=night))
