"""What happened to the alerts as an Atom feed, for a reader that fetches it.

Source: RFC 4287. An entry's id is made of the yard's address and the event's number and never changes.
"""

import html
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from uuid import NAMESPACE_URL, uuid5

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.alerts import words
from server.alerts.delivery.facts import Line
from server.alerts.delivery.posts import TOLD_KINDS
from server.alerts.delivery.reading import Ledger, nothing_covers, read_ledger
from server.alerts.delivery.wording import CAUTION, clean, line_text
from server.alerts.tables import AlertEventRow, AlertRow

MOST_ENTRIES = 50
NAMESPACE = "http://www.w3.org/2005/Atom"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One event of an alert, in words."""

    id: str
    title: str
    text: str
    link: str
    updated: datetime


def atom(entries: Sequence[Entry], *, title: str, base_url: str, path: str, made: datetime) -> bytes:
    """The feed of entries, newest first; `made` is its time without any, `path` its own without a token."""
    updated = max((one.updated for one in entries), default=made)
    lines = [
        '<?xml version="1.0" encoding="utf-8"?>',
        f'<feed xmlns="{NAMESPACE}">',
        _element("id", urn(base_url, "feed")),
        _element("title", title),
        _element("updated", _moment(updated)),
        f"<author>{_element('name', 'hangtrue')}</author>",
        f'<link rel="alternate" href="{html.escape(f"{base_url}/alerts")}"/>',
        f'<link rel="self" href="{html.escape(f"{base_url}{path}")}"/>',
        *map(_entry, entries),
        "</feed>",
    ]
    return "\n".join(lines).encode()


def entries_of(
    session: Session,
    *,
    base_url: str,
    zone: str,
    doors: frozenset[int] | None = None,
    limit: int = MOST_ENTRIES,
) -> list[Entry]:
    """The newest events of alerts, of some doors (None: all and the house's), newest first."""
    query = select(AlertEventRow).join(AlertRow, AlertRow.id == AlertEventRow.alert_id)
    query = query.where(AlertEventRow.kind.in_(TOLD_KINDS))
    if doors is not None:
        query = query.where(AlertRow.door_id.in_(doors))
    events = list(session.scalars(query.order_by(AlertEventRow.id.desc()).limit(limit)))
    return _told(session, events, base_url=base_url, zone=zone)


def urn(base_url: str, what: str) -> str:
    """A name that stays: of the yard's address and a thing in it."""
    return f"urn:uuid:{uuid5(NAMESPACE_URL, f'{base_url}/{what}')}"


def _told(session: Session, events: Iterable[AlertEventRow], *, base_url: str, zone: str) -> list[Entry]:
    rows = list(events)
    ledger = read_ledger(
        session,
        {one.alert_id for one in rows},
        base_url=base_url,
        zone=zone,
        cover=nothing_covers,
        persons={},
    )
    return [_told_entry(row, ledger, base_url, zone) for row in rows]


def _told_entry(row: AlertEventRow, ledger: Ledger, base_url: str, zone: str) -> Entry:
    """An event as it was then: an entry that was fetched does not change."""
    facts = ledger.facts[row.alert_id]
    said = words.say(row.step, json.loads(row.evidence), zone=zone)
    told = replace(ledger.words[row.alert_id], word=words.word(row.step), say=said)
    line = Line(
        kind=row.kind,
        alert_id=row.alert_id,
        step=row.step,
        weight=facts.weight,
        rank=facts.rank,
        door_id=facts.door_id,
        detail=row.detail,
    )
    return Entry(
        id=urn(base_url, f"events/{row.id}"),
        title=clean(f"{told.word}: {told.door}{', ' + told.place if told.place else ''}"),
        text=f"{line_text(line, told)} {CAUTION}",
        link=told.link,
        updated=row.at,
    )


def _entry(one: Entry) -> str:
    parts = [
        _element("id", one.id),
        _element("title", one.title),
        _element("updated", _moment(one.updated)),
        f'<link rel="alternate" href="{html.escape(one.link)}"/>',
        f'<content type="text">{html.escape(clean(one.text), quote=False)}</content>',
    ]
    return f"<entry>{''.join(parts)}</entry>"


def _element(name: str, text: str) -> str:
    return f"<{name}>{html.escape(clean(text), quote=False)}</{name}>"


def _moment(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
