"""The outbox: messages made from what is owed, in one transaction with the marks of what they carry."""

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta

import numpy as np
from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from server.alerts.covering import cover
from server.alerts.delivery.composing import plan
from server.alerts.delivery.facts import Draft, Night, Owed, Plan
from server.alerts.delivery.posts import persons_of, post_of, posts_of
from server.alerts.delivery.reading import Cover, Ledger, read_ledger, recent_of
from server.alerts.delivery.tables import ComposedRow, DueRow, MessageRow, PostRow
from server.alerts.delivery.tries import Quiet, life_of
from server.alerts.delivery.wording import Around, body, line_text, subject_of
from server.alerts.steps import HOURLY_TOPICS
from server.alerts.tables import AlertEventRow

KEY_BYTES = 12
LOOKED_BACK = timedelta(days=45)  # a seven-night cap, a month of returns, and some
Reached = Callable[[str], None]


def passes(_point: str) -> None:
    """Nothing happens at a point of the way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Composing:
    """Which slot is composed and when: its yard's zone, the address of its pages, what covers what.

    `reached` is told each point of the way, so that a test can end the process there.
    """

    slot: str
    at: datetime
    zone: str
    base_url: str
    cover: Cover = cover
    reached: Reached = passes


@dataclass(frozen=True, slots=True, kw_only=True)
class _Desk:
    """What composing has before it."""

    session: Session
    what: Composing
    ledger: Ledger
    rng: np.random.Generator


def compose(session: Session, what: Composing, *, rng: np.random.Generator) -> list[int]:
    """Make the messages of a slot from what is owed, all in the session's transaction; give their numbers.

    After the last door of the last slot. A slot composed again gets what came since, no second sheet.
    """
    is_fresh = session.get(ComposedRow, what.slot) is None
    night, rows = Night(slot=what.slot, is_fresh=is_fresh), posts_of(session)
    owed = {row.id: owed_to(session, row.id) for row in rows}
    ledger = read_ledger(
        session,
        {one.alert_id for mine in owed.values() for one in mine},
        base_url=what.base_url,
        zone=what.zone,
        cover=what.cover,
        persons=persons_of(rows),
    )
    if night.is_hour:  # a night in the making says the rest itself, at its end
        owed = {post: _of_the_hour(mine, ledger) for post, mine in owed.items()}
    desk = _Desk(session=session, what=what, ledger=ledger, rng=rng)
    made = [number for row in rows if (number := _compose_post(desk, row, owed[row.id], night))]
    if is_fresh:
        session.add(ComposedRow(slot=what.slot))
    session.flush()
    what.reached("composed")
    return made


def owed_to(session: Session, post_id: int) -> list[Owed]:
    """The events that a post is owed and that are in no message."""
    query = (
        select(AlertEventRow, DueRow.waits)
        .join(DueRow, DueRow.event_id == AlertEventRow.id)
        .where(DueRow.post_id == post_id, DueRow.message_id.is_(None))
        .where(or_(DueRow.waits.is_(None), DueRow.waits != "dropped"))
    )
    return [
        Owed(
            event_id=event.id,
            alert_id=event.alert_id,
            slot=event.slot,
            kind=event.kind,
            step=event.step,
            detail=event.detail,
            waits=waits,
        )
        for event, waits in session.execute(query.order_by(AlertEventRow.id))
    ]


def _of_the_hour(owed: list[Owed], ledger: Ledger) -> list[Owed]:
    return [one for one in owed if ledger.facts[one.alert_id].topic in HOURLY_TOPICS]


def _compose_post(desk: _Desk, row: PostRow, owed: list[Owed], night: Night) -> int | None:
    session, ledger = desk.session, desk.ledger
    since = min([(night.day - LOOKED_BACK).isoformat(), *ledger.raised.values()])
    recent = recent_of(session, row.id, since)
    made = plan(post_of(row), owed, alerts=ledger.facts, recent=recent, night=night)
    message = None if made.draft is None else _write(desk, row, made.draft)
    desk.what.reached("message without dues marked")
    _mark(session, row.id, made, message)
    return message


def _write(desk: _Desk, row: PostRow, draft: Draft) -> int:
    session, what, ledger = desk.session, desk.what, desk.ledger
    given_up = _given_up(session, row.id)
    around = Around(
        now=what.at,
        zone=what.zone,
        link=f"{what.base_url}/alerts",
        heard=ledger.heard,
        given_up=[one.subject for one in given_up],
    )
    first = Quiet.of(row.quiet, what.zone).after(what.at)
    said = _said(session, row.id, draft, ledger) | {"given_up": [one.id for one in given_up]}
    message = MessageRow(
        key=f"msg_{desk.rng.bytes(KEY_BYTES).hex()}",
        post_id=row.id,
        slot=what.slot,
        kind=draft.kind,
        subject=subject_of(draft, ledger.words),
        body=body(draft, ledger.words, around),
        said=json.dumps(said),
        state="waiting",
        tries=0,
        next_try=first,
        expires=first + life_of(draft.kind),
    )
    session.add(message)
    session.flush()
    return message.id


def _said(session: Session, post_id: int, draft: Draft, ledger: Ledger) -> dict[str, object]:
    """What a message says, for us (lines, sheet), for machines (data), and the key it follows."""
    lines = [(one.alert_id, one.kind, line_text(one, ledger.words[one.alert_id])) for one in draft.lines]
    lines += [(number, "standing", ledger.words[number].say) for number in draft.standing or ()]
    return {
        "lines": [asdict(line) for line in draft.lines],
        "standing": draft.standing,
        "data": [_datum(ledger, *line) for line in lines],
        "follows": _followed(session, post_id, draft.lines[0].alert_id) if draft.lines else None,
    }


def _datum(ledger: Ledger, alert_id: int, event: str, sentence: str) -> Mapping[str, object]:
    facts, told = ledger.facts[alert_id], ledger.words[alert_id]
    return {
        "event": event,
        "step": facts.step,
        "cause": f"{facts.topic}:{facts.about}",
        "sentence": sentence,
        "since": told.since.isoformat(),
        "link": told.link,
    }


def _followed(session: Session, post_id: int, alert_id: int) -> str | None:
    """The key of the first message to this post that had a line of an alert."""
    query = select(MessageRow).where(MessageRow.post_id == post_id).order_by(MessageRow.id)
    for row in session.scalars(query):
        if any(line["alert_id"] == alert_id for line in json.loads(row.said)["lines"]):
            return row.key
    return None


def _given_up(session: Session, post_id: int) -> list[MessageRow]:
    """Messages that never passed and that no later one, sent or waiting, has told of."""
    mine = select(MessageRow).where(MessageRow.post_id == post_id).order_by(MessageRow.id)
    lost = list(session.scalars(mine.where(MessageRow.state.in_(("expired", "refused")))))
    if not lost:
        return []
    later = mine.where(MessageRow.id > lost[0].id, MessageRow.state.in_(("sent", "waiting")))
    told = {number for row in session.scalars(later) for number in json.loads(row.said)["given_up"]}
    return [row for row in lost if row.id not in told]


def _mark(session: Session, post_id: int, made: Plan, message: int | None) -> None:
    for event_id, fate in made.fates.items():
        due = session.get_one(DueRow, (event_id, post_id))
        due.waits = fate
        due.message_id = message if fate is None else None
    session.flush()
