"""Nodes that send too much: held for the day's budget, and noted, so that somebody is told."""

import logging
from collections.abc import Callable
from typing import Protocol

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.doors.tables import EventMark, Node, Site
from server.intake.connection import Connection
from server.intake.conversation import Conversation
from server.intake.values import Identity

_LOG = logging.getLogger("hangtrue.intake")
KIND, BY = "flooding", "hangtrue"
NOTE_EVERY_S = 3600.0


class Spent(Protocol):
    """What knows the budgets."""

    def is_spent(self, owner: str) -> bool:
        """Whether a node has had its day's readings."""
        ...


class Excess:
    """Looks at each conversation in turn; `note` is called once an hour for a node that is paused."""

    def __init__(self, spent: Spent, *, note: Callable[[Identity], None]) -> None:
        self._spent, self._note = spent, note
        self._held: set[str] = set()
        self._noted_s: dict[str, float] = {}

    def look(self, connection: Connection, talk: Conversation) -> None:
        """Hold or release a connection for its node's budget, and note a node that is paused."""
        owner, is_spent = talk.seat.owner, self._spent.is_spent(talk.seat.owner)
        if is_spent:
            connection.hold("budget")
        else:
            connection.release("budget")
        if is_spent and owner not in self._held:
            connection.count("budget_pauses")
            _LOG.warning("%s: has sent more readings than a day brings; it is not read for now", owner)
        self._held.add(owner) if is_spent else self._held.discard(owner)
        if talk.was_over_rate() or is_spent:
            self._note_hourly(owner, talk.seat.identity, connection.now_s())

    def _note_hourly(self, owner: str, identity: Identity, now_s: float) -> None:
        if identity.role == "node" and now_s - self._noted_s.get(owner, float("-inf")) >= NOTE_EVERY_S:
            self._noted_s[owner] = now_s
            self._note(identity)


def note_flooding(session: Session, site: str, node: str, *, at_ms: int) -> None:
    """Mark a node as one that was paused because it sends too much."""
    of_node = (Site.name == site) & (Node.name == node)
    found = session.execute(select(Node.id, Node.site_id).join(Site).where(of_node)).first()
    if found is not None:
        text = f"{site}/{node} sends too much, and is not read until it slows down"
        words = {"site_id": found.site_id, "node_id": found.id, "kind": KIND, "text": text, "by": BY}
        session.add(EventMark(door_id=None, t_ms=at_ms, **words))
        session.flush()


def flooding_nodes(session: Session, *, since_ms: int) -> dict[str, int]:
    """The nodes, `site/node`, that were paused since then, each with the time (Unix ms) of its last mark.

    A node that goes on is marked once an hour: ask for the last two hours to know who is paused now.
    """
    marks = select(Site.name, Node.name, EventMark.t_ms).join(Node, Node.site_id == Site.id)
    marks = marks.join(EventMark, EventMark.node_id == Node.id)
    recent = (EventMark.kind == KIND) & (EventMark.t_ms >= since_ms)
    rows = session.execute(marks.where(recent).order_by(EventMark.t_ms))
    return {f"{site}/{node}": t_ms for site, node, t_ms in rows}
