"""Down-links and kept MQTT sessions: what nodes were told, and who has confirmed it."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from server.readings.tables import Downlink, MqttSession


@dataclass(slots=True, kw_only=True)
class KeptSession:
    """A session of a client: topic filter -> QoS granted; topic -> revision confirmed, and sent last."""

    client_id: str
    credential_id: int
    filters: dict[str, int] = field(default_factory=dict)
    acknowledged: dict[str, int] = field(default_factory=dict)
    sent: dict[str, int] = field(default_factory=dict)
    owner: str = ""
    until: datetime


def load_session(session: Session, client_id: str, *, now: datetime) -> KeptSession | None:
    """The kept session of `client_id`, unless it has run out."""
    row = session.get(MqttSession, client_id)
    if row is None or row.until <= now:
        return None
    return KeptSession(
        client_id=client_id,
        credential_id=row.credential_id,
        filters=json.loads(row.filters),
        acknowledged=json.loads(row.acknowledged),
        sent=json.loads(row.sent),
        owner=row.owner,
        until=row.until,
    )


def save_session(session: Session, kept: KeptSession) -> None:
    """Keep or renew a session."""
    session.merge(
        MqttSession(
            client_id=kept.client_id,
            credential_id=kept.credential_id,
            filters=json.dumps(kept.filters),
            acknowledged=json.dumps(kept.acknowledged),
            sent=json.dumps(kept.sent),
            owner=kept.owner,
            until=kept.until,
        )
    )


def end_session(session: Session, client_id: str) -> None:
    """Forget a session."""
    session.execute(delete(MqttSession).where(MqttSession.client_id == client_id))


def end_old_sessions(session: Session, *, now: datetime) -> None:
    """Forget the sessions that ran out more than a day ago."""
    session.execute(delete(MqttSession).where(MqttSession.until < now - timedelta(days=1)))


def downlinks(session: Session, topics: Sequence[str]) -> list[tuple[str, bytes, int]]:
    """Topic, payload and revision of each of `topics` that has one."""
    rows = session.execute(
        select(Downlink.topic, Downlink.payload, Downlink.rev).where(Downlink.topic.in_(topics))
    )
    return [(topic, payload, rev) for topic, payload, rev in rows]


def put_downlink(session: Session, topic: str, payload: bytes, *, rev: int, now: datetime) -> None:
    """Make `payload` the last word on `topic`."""
    session.merge(Downlink(topic=topic, payload=payload, rev=rev, changed=now))
