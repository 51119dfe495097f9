"""Packs that were refused: kept byte for byte within bounds, for 90 days."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, Connection, delete, func, insert, select, update

from server.readings.tables import Quarantine

KEPT = timedelta(days=90)
MOST_PACKS, MOST_BYTES = 1000, 16 * 2**20  # of one node; beyond, a count and a hash


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A refused pack. node_id None: no enrolled node; journal and its range where they could be read."""

    node_id: int | None
    topic: str
    payload: bytes
    code: str
    record: int | None
    arrival_ms: int
    properties: str | None
    journal: str | None = None
    seq_from: int | None = None
    seq_to: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A pack in quarantine. size_bytes None: beyond the node's room, so counted alone and not kept."""

    id: int
    node_id: int | None
    topic: str
    code: str
    record: int | None
    arrival_ms: int
    times: int
    until: datetime
    size_bytes: int | None


_HELD = ("id", "node_id", "topic", "code", "record", "arrival_ms", "times", "until")


def hold(connection: Connection, refused: Sequence[Refused], *, now: datetime) -> None:
    """Keep refused packs. The same bytes on the same topic only raise the count of those that are kept."""
    room: dict[int | None, tuple[int, int]] = {}
    for pack in refused:
        digest = hashlib.sha256(pack.payload).digest()
        if _again(connection, (Quarantine.sha256 == digest) & (Quarantine.topic == pack.topic), now):
            continue
        if pack.node_id not in room:
            room[pack.node_id] = _kept(connection, pack.node_id, now)
        packs, size = room[pack.node_id]
        if packs >= MOST_PACKS or size + len(pack.payload) > MOST_BYTES:
            _count_alone(connection, pack, digest, now)
            continue
        room[pack.node_id] = packs + 1, size + len(pack.payload)
        _insert(connection, pack, digest, pack.payload, now)


def held_ranges(
    connection: Connection, node_id: int, journal: str, *, now: datetime
) -> list[tuple[int, int, str]]:
    """First and last sequence number, and code, of each held pack of a journal, oldest first."""
    chosen = (
        (Quarantine.node_id == node_id) & (Quarantine.journal == journal) & Quarantine.seq_from.is_not(None)
    )
    columns = (Quarantine.seq_from, Quarantine.seq_to, Quarantine.code)
    rows = connection.execute(select(*columns).where(chosen & _standing(now)).order_by(Quarantine.seq_from))
    return [
        (int(first), int(last), code) for first, last, code in rows if first is not None and last is not None
    ]


def held(
    connection: Connection, *, now: datetime, code: str | None = None, topics: str | None = None
) -> list[Held]:
    """The packs in quarantine, oldest first; those of one code, or on topics like a pattern of LIKE."""
    columns = [getattr(Quarantine, name) for name in _HELD]
    chosen = select(*columns, func.length(Quarantine.payload)).where(_standing(now))
    if code is not None:
        chosen = chosen.where(Quarantine.code == code)
    if topics is not None:
        chosen = chosen.where(Quarantine.topic.like(topics, escape="\\"))
    rows = connection.execute(chosen.order_by(Quarantine.arrival_ms, Quarantine.id))
    return [Held(**dict(zip(_HELD, row, strict=False)), size_bytes=row[-1]) for row in rows]


def payload_of(connection: Connection, held_id: int, *, now: datetime) -> bytes | None:
    """The bytes of a pack that is still held; None when it is not, or was only counted.

    On PostgreSQL its row stays locked until the commit, so that two replays take turns.
    """
    chosen = select(Quarantine.payload).where((Quarantine.id == held_id) & _standing(now))
    if connection.dialect.name == "postgresql":
        chosen = chosen.with_for_update()
    found = connection.execute(chosen).scalar()
    return None if found is None else bytes(found)


def release(connection: Connection, held_id: int, *, now: datetime) -> None:
    """A held pack is stored: it leaves quarantine. Its bytes go when its 90 days are over."""
    connection.execute(update(Quarantine).where(Quarantine.id == held_id).values(replayed=now))


def keep_holding(connection: Connection, held_id: int, why: Refused) -> None:
    """A held pack was refused again: it stays under what is at fault now, and its 90 days run on."""
    names = ("node_id", "code", "record", "journal", "seq_from", "seq_to")
    values = {name: getattr(why, name) for name in names}
    connection.execute(update(Quarantine).where(Quarantine.id == held_id).values(**values))


def expire(connection: Connection, *, now: datetime) -> int:
    """Remove what was kept its 90 days; give how many packs that were."""
    return connection.execute(delete(Quarantine).where(Quarantine.until <= now)).rowcount


def _standing(now: datetime) -> ColumnElement[bool]:
    return Quarantine.replayed.is_(None) & (Quarantine.until > now)


def _again(connection: Connection, same: ColumnElement[bool], now: datetime) -> bool:
    found = connection.execute(select(Quarantine.id).where(same & _standing(now)).limit(1)).scalar()
    if found is None:
        return False
    connection.execute(update(Quarantine).where(Quarantine.id == found).values(times=Quarantine.times + 1))
    return True


def _kept(connection: Connection, node_id: int | None, now: datetime) -> tuple[int, int]:
    of_node = Quarantine.node_id.is_(None) if node_id is None else Quarantine.node_id == node_id
    sizes = select(
        func.count(Quarantine.payload), func.coalesce(func.sum(func.length(Quarantine.payload)), 0)
    )
    packs, size = connection.execute(sizes.where(of_node & _standing(now))).one()
    return int(packs), int(size)


def _count_alone(connection: Connection, pack: Refused, digest: bytes, now: datetime) -> None:
    """One row a topic and code, however many packs there are: a broken node must not fill the disk."""
    same = (Quarantine.topic == pack.topic) & (Quarantine.code == pack.code) & Quarantine.payload.is_(None)
    if not _again(connection, same, now):
        _insert(connection, pack, digest, None, now)


def _insert(
    connection: Connection, pack: Refused, digest: bytes, payload: bytes | None, now: datetime
) -> None:
    is_held = payload is not None
    values = {
        "node_id": pack.node_id,
        "topic": pack.topic,
        "payload": payload,
        "sha256": digest,
        "times": 1,
        "code": pack.code,
        "record": pack.record,
        "arrival_ms": pack.arrival_ms,
        "properties": pack.properties,
        "journal": pack.journal if is_held else None,
        "seq_from": pack.seq_from if is_held else None,
        "seq_to": pack.seq_to if is_held else None,
        "until": now + KEPT,
    }
    connection.execute(insert(Quarantine).values(**values))
