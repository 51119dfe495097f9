"""Who may fetch the feed: a token a person, kept as its hash alone."""

import base64
import hashlib
import json
import secrets
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.alerts.delivery.tables import FeedRow

TOKEN_BYTES = 20  # 160 bits: guessing is hopeless, so a plain hash is enough
LONGEST = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Reader:
    """Who fetches, and of which doors (None: all, and the house)."""

    name: str
    doors: frozenset[int] | None
    made: datetime


def give_token(
    session: Session,
    name: str,
    *,
    doors: Sequence[int] | None,
    at: datetime,
    random_bytes: Callable[[int], bytes] = secrets.token_bytes,
) -> str:
    """A new token for a person, to be shown once; the one that this person had is retired."""
    retire_tokens(session, name, at=at)
    token = base64.b32encode(random_bytes(TOKEN_BYTES)).decode().lower()
    own = None if doors is None else json.dumps(sorted(doors))
    session.add(FeedRow(name=name, token=_hashed(token), doors=own, made=at))
    session.flush()
    return token


def retire_tokens(session: Session, name: str, *, at: datetime) -> int:
    """Retire the tokens of a person; give how many there were."""
    rows = session.scalars(select(FeedRow).where(FeedRow.name == name, FeedRow.retired.is_(None))).all()
    for row in rows:
        row.retired = at
    session.flush()
    return len(rows)


def reader_of(session: Session, token: str) -> Reader | None:
    """Who comes with a token; None for one that is not known or is retired."""
    if not 0 < len(token) <= LONGEST:
        return None
    query = select(FeedRow).where(FeedRow.token == _hashed(token), FeedRow.retired.is_(None))
    row = session.scalar(query)
    return None if row is None else _reader(row)


def readers(session: Session) -> list[Reader]:
    """Everyone who may fetch, by name."""
    query = select(FeedRow).where(FeedRow.retired.is_(None)).order_by(FeedRow.name)
    return [_reader(row) for row in session.scalars(query)]


def _reader(row: FeedRow) -> Reader:
    doors = None if row.doors is None else frozenset(json.loads(row.doors))
    return Reader(name=row.name, doors=doors, made=row.made)


def _hashed(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
