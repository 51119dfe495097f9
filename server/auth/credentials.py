"""Credentials: issued once, revoked."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from server.auth.passwords import draw_password, draw_salt, hashed
from server.auth.tables import Credential
from server.errors import AlreadyThereError, SettingsError

ROLES = ("node", "collector", "watch")


@dataclass(frozen=True, slots=True, kw_only=True)
class InForce:
    """A credential that lets its user in."""

    id: int
    node_id: int | None
    user: str
    generation: int
    made: datetime


def node_user(site: str, node: str, generation: int) -> str:
    """The user name of a node: `saltmarsh-yard.north.1`."""
    return f"{site}.{node}.{generation}"


def issue(
    session: Session, *, node_id: int | None, user: str, role: str, generation: int, now: datetime
) -> str:
    """The password of a new credential. It is given here once; of it only a hash is kept.

    Raises AlreadyThereError for a user that is there, SettingsError for a role that is none.
    """
    if role not in ROLES or (role == "node") != (node_id is not None):
        raise SettingsError(
            "issue a password", "role node with a node, or collector or watch", f"{role!r:.40}"
        )
    if session.scalar(select(Credential.id).where(Credential.user == user)) is not None:
        raise AlreadyThereError(f"issue a password for {user:.60}", "another user", "one who has a password")
    password, salt = draw_password(), draw_salt()
    session.add(
        Credential(
            node_id=node_id,
            role=role,
            user=user,
            generation=generation,
            salt=salt,
            hash=hashed(password.encode(), salt),
            made=now,
        )
    )
    session.flush()
    return password


def issue_again(session: Session, user: str, *, now: datetime) -> str | None:
    """Another password for a user whose own was taken away; None for any other user."""
    row = session.scalar(select(Credential).where(Credential.user == user, Credential.revoked.is_not(None)))
    if row is None:
        return None
    password, row.salt = draw_password(), draw_salt()
    row.hash, row.made, row.revoked = hashed(password.encode(), row.salt), now, None
    session.flush()
    return password


def revoke(session: Session, user: str, *, now: datetime) -> bool:
    """Take a user's password away; whether there was one."""
    row = session.scalar(select(Credential).where(Credential.user == user, Credential.revoked.is_(None)))
    if row is not None:
        row.revoked = now
        session.flush()
    return row is not None


def in_force(session: Session, *, node_id: int | None = None) -> list[InForce]:
    """The credentials in force, of one node or all, by generation and user."""
    chosen = select(Credential).where(Credential.revoked.is_(None))
    if node_id is not None:
        chosen = chosen.where(Credential.node_id == node_id)
    rows = session.scalars(chosen.order_by(Credential.generation, Credential.user))
    return [
        InForce(id=row.id, node_id=row.node_id, user=row.user, generation=row.generation, made=row.made)
        for row in rows
    ]


def last_generation(session: Session, node_id: int) -> int:
    """The newest generation that a node was ever issued; 0 if none."""
    return session.scalar(select(func.max(Credential.generation)).where(Credential.node_id == node_id)) or 0


def revoked_ids(session: Session) -> set[int]:
    """The credentials that were taken away."""
    return set(session.scalars(select(Credential.id).where(Credential.revoked.is_not(None))))
