"""Whether messages pass: findings about channels, for the look at the house."""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from server.alerts.delivery.tables import MessageRow, PostRow
from server.alerts.delivery.tries import life_of
from server.inspection.values import Finding


def channel_findings(session: Session, now: datetime) -> tuple[Finding, ...]:
    """A finding for each channel in use: for how many hours it fails, and whether it was refused flatly."""
    query = select(PostRow.channel, PostRow.id).where(PostRow.retired.is_(None)).order_by(PostRow.channel)
    failing: dict[str, tuple[float, bool]] = {}
    for channel, post_id in session.execute(query):
        hours, refused = failing.get(channel, (0.0, False))
        mine_h, mine_refused = _failing(session, post_id, now)
        failing[channel] = max(hours, mine_h), refused or mine_refused
    return tuple(
        Finding(topic="channel", about=channel, evidence={"failing_h": hours, "refused": refused})
        for channel, (hours, refused) in failing.items()
    )


def waiting_counts(session: Session) -> dict[str, int]:
    """How many messages wait, by channel."""
    query = (
        select(PostRow.channel, func.count())
        .join(MessageRow, MessageRow.post_id == PostRow.id)
        .where(MessageRow.state == "waiting")
        .group_by(PostRow.channel)
    )
    return {str(channel): int(count) for channel, count in session.execute(query)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """A channel as it is now: for how many hours it fails, whether it was refused, how many messages wait."""

    channel: str
    failing_h: float
    is_refused: bool
    waiting: int
    last_word: str


def ways(session: Session, now: datetime) -> list[Way]:
    """Every channel in use, by name; none: nobody is told."""
    waiting = waiting_counts(session)
    return [
        Way(
            channel=one.about,
            failing_h=float(str(one.evidence["failing_h"])),
            is_refused=one.evidence["refused"] is True,
            waiting=waiting.get(one.about, 0),
            last_word=_last_word(session, one.about),
        )
        for one in channel_findings(session, now)
    ]


def sent_first(session: Session, alert_ids: Iterable[int]) -> dict[int, datetime]:
    """When a message with each alert in it first passed; of those in none that did, nothing."""
    wanted, found = set(alert_ids), dict[int, datetime]()
    query = select(MessageRow.said, MessageRow.sent).where(MessageRow.sent.is_not(None))
    for said, sent in session.execute(query.order_by(MessageRow.sent, MessageRow.id)):
        for line in json.loads(said)["lines"]:
            if sent is not None and line["alert_id"] in wanted:
                found.setdefault(line["alert_id"], sent)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxFigures:
    """The outbox in figures: what waits, for how long the oldest has been due, messages by kind and state.

    Of those that were sent: how many, and how late they were in all.
    """

    waiting: int
    oldest_s: float
    sent: int
    delay_s: float
    messages: Mapping[tuple[str, str], int]


def outbox_figures(session: Session, now: datetime) -> OutboxFigures:
    """What an outside watcher asks of the outbox."""
    query = select(MessageRow.kind, MessageRow.state, func.count()).group_by(
        MessageRow.kind, MessageRow.state
    )
    messages = {(kind, state): count for kind, state, count in session.execute(query)}
    first = session.scalars(
        select(MessageRow).where(MessageRow.state == "waiting").order_by(MessageRow.id).limit(1)
    ).first()
    due = now if first is None else first.expires - life_of(first.kind)
    return OutboxFigures(
        waiting=sum(count for (_, state), count in messages.items() if state == "waiting"),
        oldest_s=max((now - due).total_seconds(), 0.0),
        messages=messages,
        **_delays(session),
    )


def _delays(session: Session) -> dict[str, Any]:
    query = select(MessageRow.kind, MessageRow.expires, MessageRow.sent).where(MessageRow.state == "sent")
    late = [
        max((sent - (expires - life_of(kind))).total_seconds(), 0.0)
        for kind, expires, sent in session.execute(query)
        if sent is not None
    ]
    return {"sent": len(late), "delay_s": sum(late)}


def _last_word(session: Session, channel: str) -> str:
    """What came of the newest try of a channel."""
    tried = (
        select(MessageRow.last_word)
        .join(PostRow, PostRow.id == MessageRow.post_id)
        .where(PostRow.channel == channel, MessageRow.last_word.is_not(None))
    )
    return session.scalar(tried.order_by(MessageRow.id.desc()).limit(1)) or ""


def _failing(session: Session, post_id: int, now: datetime) -> tuple[float, bool]:
    """Hours since the first try that failed after the last that passed; whether the newest was refused."""
    mine = select(MessageRow).where(MessageRow.post_id == post_id)
    passed = session.scalar(
        select(func.max(MessageRow.id)).where(MessageRow.post_id == post_id, MessageRow.state == "sent")
    )
    after = mine.where(MessageRow.id > (passed or 0), MessageRow.tries > 0).order_by(MessageRow.id)
    rows = [row for row in session.scalars(after) if row.state in ("waiting", "expired", "refused")]
    if not rows:
        return 0.0, False
    began = rows[0].expires - life_of(rows[0].kind)
    hours = max((now - began).total_seconds() / 3600, 0.0)
    return hours, rows[-1].state == "refused"
