"""A yard with one door and alerts in the database, each event with what is owed, as the ledger writes it."""

import json
from datetime import UTC, datetime

import numpy as np
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from server.alerts.delivery.outbox import Composing, compose
from server.alerts.delivery.posts import NewPost, add_post, owe
from server.alerts.delivery.tables import MessageRow
from server.alerts.tables import AlertEventRow, AlertRow
from server.database import session_of
from server.doors.register import DoorHung
from tests.inspection.doors import Truth, one_joint
from tests.inspection.stored import stored_door

AT = datetime(2027, 3, 2, 5, 10, tzinfo=UTC)
BASE_URL = "http://127.0.0.1:8060"
EVIDENCE = {
    "turn_stays_mrad": 0.2,
    "turn_low_mrad": 0.15,
    "turn_high_mrad": 0.25,
    "turn_open_mrad": 0.166,
    "last_heard_ms": 1803877200000,
}


def yard(session: Session) -> DoorHung:
    """The door `north` of an invented yard."""
    return stored_door(session, Truth(years=0.0), one_joint())


def raised(
    session: Session,
    door: DoorHung,
    *,
    topic: str = "joint",
    about: str = "north/lock-hinge",
    step: str = "joint_open",
    slot: str = "2027-03-02",
) -> AlertRow:
    """A new alert, with its event and what is owed for it."""
    row = AlertRow(site_id=1, topic=topic, about=about, door_id=door.id, raised=slot, step=step, worst=step)
    session.add(row)
    session.flush()
    happens(session, row, "raised", slot)
    return row


def happens(
    session: Session, row: AlertRow, kind: str, slot: str, *, step: str | None = None, detail: str = ""
) -> int:
    """An event of an alert, in the session's transaction with what is owed."""
    row.step = step or row.step
    if kind == "ended":
        row.ended, row.how = slot, detail or "gone"
    event = AlertEventRow(
        alert_id=row.id,
        slot=slot,
        at=AT,
        kind=kind,
        step=row.step,
        detail=detail,
        evidence=json.dumps(EVIDENCE),
    )
    session.add(event)
    session.flush()
    owe(session, event.id)
    return event.id


def composed(
    engine: Engine, slot: str = "2027-03-02", *, at: datetime = AT, seed: int = 1, zone: str = "UTC"
) -> list[int]:
    """Compose a slot in a transaction of its own."""
    with session_of(engine) as session:
        what = Composing(slot=slot, at=at, zone=zone, base_url=BASE_URL)
        return compose(session, what, rng=np.random.default_rng([seed, int(at.timestamp())]))


def with_post(
    engine: Engine, channel: str = "hook", *, quiet: str = "00:00-00:00", **given: object
) -> DoorHung:
    """A yard with a post that is told of everything at any hour."""
    with session_of(engine) as session:
        door = yard(session)
        add_post(session, NewPost(channel=channel, quiet=quiet, **given))  # type: ignore[arg-type]  # of one post
    return door


def messages(engine: Engine) -> list[MessageRow]:
    """Every message, oldest first, apart from the session."""
    with Session(engine, expire_on_commit=False) as session:
        return list(session.scalars(select(MessageRow).order_by(MessageRow.id)))
