"""Each hour's look at the house: disk, intake, channels, passwords. It says only what was raised or rose."""

import time as stopwatch
from collections.abc import Callable, Iterable
from datetime import datetime

from sqlalchemy import Engine, select

from server.alerts import ledger, rules
from server.alerts.delivery.failing import channel_findings
from server.alerts.delivery.tables import DueRow
from server.alerts.kept import before_night
from server.alerts.ledger import Night
from server.alerts.limits import limits_of
from server.alerts.rebuilding import hour_of, house_scope
from server.alerts.steps import HOURLY_TOPICS
from server.alerts.tables import AlertEventRow, AlertRow
from server.database import Session, session_of
from server.doors.register import list_doors, site_of
from server.inspection import results
from server.inspection.results import Slot
from server.inspection.values import Finding, Inspection
from server.service.messages import Saying, say_hour

HouseFindings = Callable[[Session, datetime], Iterable[Finding]]
OVER = frozenset({"gone", "gone_at_once", "unjudged"})


def nothing_else(_session: Session, _now: datetime) -> tuple[Finding, ...]:
    """No findings beside those of the channels."""
    return ()


def look_at_hour(engine: Engine, saying: Saying, *, also: HouseFindings = nothing_else) -> list[int]:
    """Look at the house for the hour that is now, unless it is done; give the messages that were made.

    What is well and was well is not written down: a healthy yard's hours leave no rows.
    """
    now = saying.clock()
    slot = hour_of(now)
    with session_of(engine) as session:
        _look(session, slot, now, also)
        is_owed = _is_owed(session)
    return say_hour(engine, saying, slot) if is_owed else []


def _look(session: Session, slot: str, now: datetime, also: HouseFindings) -> None:
    started, site = stopwatch.monotonic(), site_of(session)
    if site is None or results.is_looked_at(session, house_scope(site.name), slot):
        return
    hourly = [
        one for one in (*channel_findings(session, now), *also(session, now)) if one.topic in HOURLY_TOPICS
    ]
    found = tuple(_telling(session, site.id, slot, hourly))
    if not found:
        return
    inspection = Inspection(findings=found)
    when = Slot(
        scope=house_scope(site.name),
        slot=slot,
        looked=now,
        until_ms=int(now.timestamp() * 1000),
        took_s=stopwatch.monotonic() - started,
    )
    results.save(session, inspection, when)
    doors = [door for door in list_doors(session) if door.site == site.name]
    ledger.record_house(session, inspection, site=site.name, doors=doors, night=Night(slot=slot, at=now))


def _telling(session: Session, site_id: int, slot: str, found: Iterable[Finding]) -> list[Finding]:
    """Those that say something, or whose cause does not rest."""
    findings = list(found)
    known = before_night(session, site_id, {(one.topic, one.about) for one in findings}, slot)
    limits = limits_of(session, None, slot)
    told = []
    for one in findings:
        before = known[one.topic, one.about].condition
        rests = before is None or before.is_at_rest
        says = {rules.judge(one, step, limits) for step in rules.steps_of(one.topic, one.about)}
        if not rests or not says <= OVER:
            told.append(one)
    return told


def _is_owed(session: Session) -> bool:
    """Whether an event of what is looked at each hour is in no message and waits for nothing."""
    query = (
        select(DueRow.event_id)
        .join(AlertEventRow, AlertEventRow.id == DueRow.event_id)
        .join(AlertRow, AlertRow.id == AlertEventRow.alert_id)
        .where(DueRow.message_id.is_(None), DueRow.waits.is_(None), AlertRow.topic.in_(HOURLY_TOPICS))
    )
    return session.scalar(query.limit(1)) is not None
