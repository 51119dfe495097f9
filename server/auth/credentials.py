"""Credentials: issued once, revoked."""

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.auth.passwords import draw_password, draw_salt, hashed
from server.auth.tables import Credential
from server.errors import AlreadyThereError, SettingsError

ROLES = ("node", "collector", "watch")


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


def revoke(session: Session, user: str, *, now: datetime) -> bool:
    """Take a user's password away; whether there was one."""
    row = session.scalar(select(Credential).where(Credential.user == user, Credential.revoked.is_(None)))
    if row is not None:
        row.revoked = now
        session.flush()
    return row is not None
