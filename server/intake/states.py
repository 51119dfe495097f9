"""What nodes say of themselves, and when each was last heard: kept with the node."""

import json
from collections.abc import Mapping

from sqlalchemy import Connection, bindparam, select, update

from server.doors.tables import Node
from server.intake.judged import Told
from server.readings import journals

_EARLIER = Node.last_heard_ms.is_(None) | (Node.last_heard_ms < bindparam("ms"))
_HEARD = update(Node).where((Node.id == bindparam("n")) & _EARLIER).values(last_heard_ms=bindparam("ms"))


def keep_state(connection: Connection, told: Told, *, journal_id: int | None) -> None:
    """Keep a state: a full status whole, *gone* as a change of the state alone."""
    if told.node is None:
        return
    this = Node.id == told.node.id
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
        journals.add_clock_fix(connection, journal_id, told.status.clock_fix, ppm=told.node.ppm)


def keep_heard(connection: Connection, heard_ms: Mapping[int, int]) -> None:
    """Note when each node, by id, was last heard. Never earlier than it stands."""
    if heard_ms:
        connection.execute(_HEARD, [{"n": node_id, "ms": ms} for node_id, ms in sorted(heard_ms.items())])
