"""What nodes say of themselves, and when each was last heard: kept with the node."""

import json
from collections.abc import Mapping
from datetime import UTC, datetime

from sqlalchemy import Connection, select, update
from sqlalchemy.orm import Session

from sensors.message.clock import Fix, is_suspect
from sensors.message.names import topic
from server.doors.marks import add_mark, marks_of
from server.doors.tables import Channel, Node, Site
from server.intake.enrolled import EnrolledNode
from server.intake.judged import Told
from server.intake.values import DownlinkValue
from server.readings import clock_fixes, journals
from server.readings.raw import run_each

_HEARD = {  # by every commit, so in the driver's own words
    name: f"UPDATE node SET last_heard_ms = {mark} WHERE id = {mark} "  # noqa: S608  (marks alone)
    f"AND (last_heard_ms IS NULL OR last_heard_ms < {mark})"
    for name, mark in (("sqlite", "?"), ("postgresql", "%s"))
}
BY = "hangtrue"
TWIN_EVERY_MS = 86_400_000  # two nodes of one name speak in turn all day: one mark a day says it


def keep_state(connection: Connection, told: Told, *, journal_id: int | None) -> None:
    """Keep a state: a full status whole, *gone* as a change of the state alone."""
    if told.node is None:
        return
    this = Node.id == told.node.id
    if not told.offer.payload:  # nothing, retained, takes away what was (3:3.3.1-10, 5:3.3.1-6)
        connection.execute(update(Node).where(this).values(status=None, status_ms=None))
        return
    if told.status is None:
        before = connection.execute(select(Node.status).where(this)).scalar()
        text = json.dumps({**(json.loads(before) if before else {}), "st": "gone"})
        connection.execute(update(Node).where(this).values(status=text))
        return
    text = json.dumps(json.loads(told.offer.payload))
    connection.execute(update(Node).where(this).values(status=text, status_ms=told.offer.arrival_ms))
    if journal_id is None:
        return
    journals.move_tail(connection, journal_id, told.status.tail)
    if told.status.clock_fix is not None:
        _keep_fix(connection, told.node, journal_id, told.status.clock_fix, told.offer.arrival_ms)


def last_said(connection: Connection) -> list[DownlinkValue]:
    """The last state of each node that told one and is in service, on its own topic."""
    told = Node.status.is_not(None) & Node.retired.is_(None)
    rows = connection.execute(select(Site.name, Node.name, Node.status).join(Site).where(told))
    return [
        DownlinkValue(topic=topic(site, node, "status"), payload=str(said).encode(), rev=0)
        for site, node, said in rows
    ]


def doubt_all(connection: Connection, *, now_ms: int) -> None:
    """After a time in which nobody listened: a node that was up may have gone, and is unknown since now."""
    for node_id, said in connection.execute(select(Node.id, Node.status).where(Node.status.is_not(None))):
        told = json.loads(str(said))
        if told.get("st") == "up":
            text = json.dumps({**told, "st": "unknown", "since": now_ms})
            connection.execute(update(Node).where(Node.id == node_id).values(status=text))


def keep_journal(connection: Connection, told: Told, *, journal_id: int) -> None:
    """The journal that a node says it writes is open, its others end; two in turn are marked as twins."""
    if told.node is None:
        return
    at_ms = told.offer.arrival_ms
    now = datetime.fromtimestamp(at_ms / 1000, UTC)
    if journals.close_others(connection, told.node.id, journal_id, now=now):
        said = "two boxes speak in turn under the name"
        _mark(connection, told.node, "twin", at_ms, said, every_ms=TWIN_EVERY_MS)


def keep_heard(connection: Connection, heard_ms: Mapping[int, int]) -> None:
    """Note when each node, by id, was last heard. Never earlier than it stands."""
    if heard_ms:
        rows = [(ms, node_id, ms) for node_id, ms in sorted(heard_ms.items())]
        run_each(connection, _HEARD[connection.dialect.name], rows)


def _keep_fix(connection: Connection, node: EnrolledNode, journal_id: int, fix: Fix, arrival_ms: int) -> None:
    if not journals.add_clock_fix(connection, journal_id, fix, ppm=node.ppm):
        return
    if is_suspect(fix, node.ppm):
        hours = (fix[1] - fix[0]) / 3_600_000
        said = f"clock set by {fix[2] / 1000:+.1f} s after {hours:.1f} h, more than drift, times stay:"
        _mark(connection, node, "clock-suspect", fix[1], said)
        return
    clock_fixes.mark_days(connection, node.id, fix, touched_ms=arrival_ms)


def _mark(
    connection: Connection, node: EnrolledNode, kind: str, t_ms: int, said: str, *, every_ms: int = 0
) -> None:
    """Mark each door that a node watches, unless its last mark of the kind is less than `every_ms` back."""
    of_node = (Channel.node_id == node.id) & Channel.door_id.is_not(None)
    doors = connection.execute(select(Channel.door_id).where(of_node).distinct().order_by(Channel.door_id))
    with Session(connection) as session:
        for door_id in doors.scalars().all():
            last = [one.t_ms for one in marks_of(session, int(door_id or 0)) if one.kind == kind]
            if not last or not every_ms or t_ms - max(last) >= every_ms:
                text = f"{said} {node.site}/{node.node}"
                add_mark(session, int(door_id or 0), t_ms=t_ms, kind=kind, text=text, by=BY)
