"""Alerts as a message needs them, read from the ledger's tables: facts for composing, words for the text."""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from server.alerts import words
from server.alerts.delivery.facts import WEIGHTS, AlertFacts, Line, Recent
from server.alerts.delivery.tables import MessageRow
from server.alerts.delivery.wording import AlertWords, DoorHeard
from server.alerts.steps import STEPS
from server.alerts.tables import AlertEventRow, AlertRow
from server.doors.register import DoorHung, list_doors

Cover = Callable[[Sequence[AlertFacts]], set[int]]
PLACED = ("joint", "frame", "gauge", "step")
SAYING = ("raised", "rose", "eased", "back")


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """The alerts asked for, in facts and in words, and the doors with when they were heard."""

    facts: Mapping[int, AlertFacts]
    words: Mapping[int, AlertWords]
    raised: Mapping[int, str]
    heard: tuple[DoorHeard, ...]


def nothing_covers(_standing: Sequence[AlertFacts]) -> set[int]:
    """No alert covers another."""
    return set()


def read_ledger(
    session: Session,
    also: Iterable[int],
    *,
    base_url: str,
    zone: str,
    cover: Cover,
    persons: Mapping[str, frozenset[int]],
) -> Ledger:
    """All that stands, and the alerts of `also`; `cover` says which of those standing another one says."""
    query = select(AlertRow).where(or_(AlertRow.ended.is_(None), AlertRow.id.in_(set(also))))
    rows = {row.id: row for row in session.scalars(query.order_by(AlertRow.id))}
    events = _events(session, rows)
    doors = {door.id: door for door in list_doors(session)}
    facts = {
        number: replace(_facts(row, events[number]), persons=persons.get(row.about, frozenset()))
        for number, row in rows.items()
    }
    told = {
        number: _words(row, events[number], doors.get(row.door_id or 0), base_url=base_url, zone=zone)
        for number, row in rows.items()
    }
    raised = {number: row.raised for number, row in rows.items()}
    heard = tuple(
        DoorHeard(shown=door.shown, heard=_moment(door.node_last_heard_ms)) for door in doors.values()
    )
    return Ledger(facts=_covered(facts, raised, cover), words=told, raised=raised, heard=heard)


def recent_of(session: Session, post_id: int, since: str) -> list[Recent]:
    """The messages of a post from a slot on, oldest first."""
    query = select(MessageRow).where(MessageRow.post_id == post_id, MessageRow.slot >= since)
    return [_recent(row) for row in session.scalars(query.order_by(MessageRow.id))]


def alerts_of(row: MessageRow) -> set[int]:
    """The alerts that a message has lines of."""
    return {int(line["alert_id"]) for line in json.loads(row.said)["lines"]}


def _recent(row: MessageRow) -> Recent:
    said = json.loads(row.said)
    return Recent(
        slot=row.slot,
        kind=row.kind,
        state=row.state,
        lines=tuple(Line(**line) for line in said["lines"]),
        standing=tuple(said["standing"] or ()),
    )


def _events(session: Session, rows: Mapping[int, AlertRow]) -> dict[int, list[AlertEventRow]]:
    found: dict[int, list[AlertEventRow]] = {number: [] for number in rows}
    query = select(AlertEventRow).where(AlertEventRow.alert_id.in_(list(rows)))
    for event in session.scalars(query.order_by(AlertEventRow.id)):
        found[event.alert_id].append(event)
    return found


def _facts(row: AlertRow, events: Sequence[AlertEventRow]) -> AlertFacts:
    step = STEPS[row.step]
    frozen = [one.kind for one in events if one.kind in ("raised", "back", "frozen", "thawed")]
    carried = [] if row.ended else _carried(events)
    hidden = min(carried, key=lambda one: WEIGHTS[_weight("note", one)], default=None)
    return AlertFacts(
        id=row.id,
        topic=row.topic,
        about=row.about,
        step=row.step,
        weight=_weight(step.weight, hidden),
        rank=step.rank,
        door_id=row.door_id,
        ended=row.ended,
        how=row.how,
        seen=None if row.seen is None else row.seen.astimezone(UTC).date().isoformat(),
        left_until=row.left_until,
        is_frozen=bool(frozen) and frozen[-1] == "frozen",
        backs=tuple(one.slot for one in events if one.kind == "back"),
        carries=hidden,
    )


def _carried(events: Sequence[AlertEventRow]) -> list[str]:
    """What an alert hides, newest first, since it was raised or came back."""
    began = max((one.id for one in events if one.kind in ("raised", "back")), default=0)
    return [one.detail for one in reversed(events) if one.kind == "carries" and one.id > began]


def _weight(own: str, hidden: str | None) -> str:
    """An alert that hides another has the heavier weight of the two."""
    step = STEPS.get((hidden or "").partition(" ")[0])
    return own if step is None else min(own, str(step.weight), key=WEIGHTS.__getitem__)


def _covered(
    facts: Mapping[int, AlertFacts], raised: Mapping[int, str], cover: Cover
) -> dict[int, AlertFacts]:
    tonight = cover([one for one in facts.values() if one.ended is None])
    return {
        number: replace(one, covered=number in tonight, was_covered=_was_covered(one, facts, raised, cover))
        for number, one in facts.items()
    }


def _was_covered(
    one: AlertFacts, facts: Mapping[int, AlertFacts], raised: Mapping[int, str], cover: Cover
) -> bool:
    """Of an alert that ended: whether another one said it when it was raised."""
    if one.ended is None:
        return False
    night = raised[one.id]
    then = [other for other in facts.values() if raised[other.id] <= night <= (other.ended or night)]
    return one.id in cover(then)


def _words(
    row: AlertRow, events: Sequence[AlertEventRow], door: DoorHung | None, *, base_url: str, zone: str
) -> AlertWords:
    told = [event for event in events if event.kind in SAYING]
    evidence = json.loads(told[-1].evidence) if told else {}
    return AlertWords(
        word=words.word(row.step),
        door=row.about if door is None else door.shown,
        place=_place(row),
        say=words.say(row.step, evidence, zone=zone if door is None else door.zone),
        hidden=words.carrying(reversed(_carried(events))),
        do=words.to_do(row.step, rated="none" if door is None else door.built.rated, evidence=evidence),
        since=date.fromisoformat(row.raised[:10]),
        link=f"{base_url}/alerts#alert-{row.id}",
    )


def _place(row: AlertRow) -> str:
    inside = row.about.partition("@")[0].partition("/")[2]
    return words.place(inside) if inside and row.topic in PLACED else ""


def _moment(t_ms: int | None) -> datetime | None:
    return None if t_ms is None else datetime.fromtimestamp(t_ms / 1000, UTC)
