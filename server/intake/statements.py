"""Statements: what the database holds of a node's journal, computed from it after the commit."""

from collections.abc import Callable
from datetime import UTC, datetime

from sqlalchemy import Engine, case, update
from sqlalchemy.orm import Session

from sensors.message.names import topic
from sensors.message.statement import (
    MAX_HAVE,
    MAX_HELD,
    Held,
    Statement,
    read_statement,
    statement_ranges,
    write_statement,
)
from server.database import session_of
from server.doors.tables import Node
from server.intake.enrolled import EnrolledNode
from server.intake.values import DownlinkValue
from server.readings import journals, quarantine, sessions


class Stater:
    """Writes statements into the down-links. Used by one thread."""

    def __init__(self, engine: Engine, *, clock_ms: Callable[[], int]) -> None:
        self._engine, self._clock_ms = engine, clock_ms

    def state(self, node: EnrolledNode, journal: str, *, if_other: bool = False) -> DownlinkValue | None:
        """The present statement of a journal, committed as the last word to its node.

        With `if_other` only when it says other than the last word did; else None.
        """
        now_ms = self._clock_ms()
        with session_of(self._engine) as session:
            said = _present(session, node, journal, datetime.fromtimestamp(now_ms / 1000, UTC))
            name = topic(node.site, node.node, "ack")
            if if_other and _last_said(session, name) == said:
                return None
            later = case((Node.ack_ms + 1 > now_ms, Node.ack_ms + 1), else_=now_ms)
            moved = update(Node).where(Node.id == node.id).values(ack_ms=later).returning(Node.ack_ms)
            t_ms = session.execute(moved).scalar_one()
            payload = write_statement(_at(said, t_ms))
            changed = datetime.fromtimestamp(now_ms / 1000, UTC)
            # t rises with each statement of a node, so it is the revision too
            sessions.put_downlink(session, name, payload, rev=t_ms, now=changed)
        return DownlinkValue(topic=name, payload=payload, rev=t_ms)

    def present_journals(self) -> dict[int, str]:
        """Of each node the journal that it writes, by the node's id."""
        with self._engine.connect() as connection:
            return dict(journals.present_journals(connection))


def _present(session: Session, node: EnrolledNode, journal: str, now: datetime) -> Statement:
    connection = session.connection()
    journal_id = journals.journal_ids(connection, [(node.id, journal)], now=now)[node.id, journal]
    journals.hold(connection, [journal_id])
    spans = journals.spans(connection, journal_id)
    upto, have = statement_ranges(spans, journals.tail(connection, journal_id))
    held = quarantine.held_ranges(connection, node.id, journal, now=now)
    waiting = [one for one in held if not _is_stored(one, upto, have)]
    return Statement(
        journal=journal, upto=upto, have=tuple(have[-MAX_HAVE:]), held=tuple(waiting[-MAX_HELD:]), t_ms=0
    )


def _is_stored(held: Held, upto: int, have: list[tuple[int, int]]) -> bool:
    first, last, _ = held
    return last <= upto or any(low <= first and last <= high for low, high in have)


def _at(said: Statement, t_ms: int) -> Statement:
    return Statement(journal=said.journal, upto=said.upto, have=said.have, held=said.held, t_ms=t_ms)


def _last_said(session: Session, name: str) -> Statement | None:
    words = sessions.downlinks(session, [name])
    last = read_statement(words[0][1]) if words else None
    return None if last is None else _at(last, 0)
