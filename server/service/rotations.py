"""Passwords of nodes over the years: one is begun, told, taken, and the one before it ends."""

import logging
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from sqlalchemy import Engine, Select, select
from sqlalchemy.orm import Session

from server.auth.credentials import (
    InForce,
    in_force,
    issue,
    issue_again,
    last_generation,
    node_user,
    revoke,
    revoked_ids,
)
from server.database import reading_of, session_of
from server.doors.tables import Node, Site
from server.errors import AlreadyThereError, SettingsError
from server.intake.secrets import (
    Change,
    changes,
    clear_node,
    clear_secret,
    secrets_and_clearings,
    tell_secret,
)
from server.intake.values import DownlinkValue

log = logging.getLogger("hangtrue.service")
YEAR = timedelta(days=365)
AFTER = timedelta(days=1)  # how long the old password stays once the new one has been used
SAID_EVERY = timedelta(days=1)
LINE = timedelta(hours=24)  # how long the line of an enrolment may be used


class Rotations:
    """Moves every change of password on. `changed` is called, in the transaction, when one ended.

    `begins`: it begins one by itself too: at first contact, for the line of an enrolment may have been
    photographed on its way, and then each year.
    """

    def __init__(
        self,
        engine: Engine,
        *,
        changed: Callable[[Session], None] | None = None,
        begins: bool = False,
    ) -> None:
        self._engine, self._changed, self._begins = engine, changed, begins
        self._revs: dict[str, int] = {}
        self._said: dict[int, datetime] = {}
        self._revoked: set[int] = set()

    def advance(self, now: datetime) -> list[DownlinkValue]:
        """Do what is due, and give the words that were not given before."""
        with session_of(self._engine) as session:
            if self._begins:
                _begin_due(session, now)
            ended = _end_unused(session, now)
            ended += [user for one in changes(session) for user in self._step(session, one, now)]
            if ended and self._changed is not None:
                self._changed(session)
            words = secrets_and_clearings(session)
        fresh = [word for word in words if word.rev > self._revs.get(word.topic, 0)]
        self._revs |= {word.topic: word.rev for word in fresh}
        return fresh

    def newly_revoked(self) -> set[int]:
        """Credentials that were taken away since the last call."""
        with reading_of(self._engine) as session:
            revoked = revoked_ids(session)
        fresh, self._revoked = revoked - self._revoked, revoked
        return fresh

    def _step(self, session: Session, one: Change, now: datetime) -> list[str]:
        secret, names = one.secret, (one.site, one.node)
        if secret is None:
            return _end_old(session, one, now) if now - one.changed >= AFTER else []
        if is_taken(one):
            clear_secret(session, names, now=now)
            log.info("%s/%s has its new password; the old one ends in a day", *names)
            return []
        if now < datetime.fromtimestamp(secret.until_ms / 1000, UTC):
            return []
        if secret.is_leak:
            clear_secret(session, names, now=now)
            log.warning("%s/%s: its password leaked and it did not take the new one; it is shut out", *names)
            return _end_old(session, one, now)
        self._say(one, now)
        return []

    def _say(self, one: Change, now: datetime) -> None:
        if now - self._said.get(one.node_id, now - SAID_EVERY) >= SAID_EVERY:
            self._said[one.node_id] = now
            log.warning(
                "%s/%s has not taken its new password in seven days; the old one stays until you decide "
                "(hangtrue node rotate --anew)",
                one.site,
                one.node,
            )


def is_taken(one: Change) -> bool:
    """Whether the node has spoken with the password that it was told."""
    if one.secret is None or one.at_generation is None or one.spoke_ms is None:
        return False
    return one.at_generation >= one.secret.generation and one.spoke_ms >= one.secret.from_ms


def begin(
    session: Session, node: Node, site: str, *, is_leak: bool, anew: bool, now: datetime
) -> tuple[str, str]:
    """A new password for a node, told to it; user and password.

    anew: draw another although the node has not taken the last one, which ends at once. Raises
    SettingsError for a device that cannot read it, AlreadyThereError while a change is under way.
    """
    asked = f"change the password of {site}/{node.name}"
    if node.kind != "tracked":
        raise SettingsError(asked, "a node that keeps a journal and reads `secret`", "a plain device")
    present = in_force(session, node_id=node.id)
    if len(present) > 1:
        if not anew:
            needed = "the change before it to end first (a week at most), or --anew"
            raise AlreadyThereError(asked, needed, f"generation {present[-1].generation} on its way")
        revoke(session, present[-1].user, now=now)
    generation = last_generation(session, node.id) + 1
    user = node_user(site, node.name, generation)
    password = issue(session, node_id=node.id, user=user, role="node", generation=generation, now=now)
    tell_secret(session, (site, node.name), generation=generation, key=password, is_leak=is_leak, now=now)
    return user, password


def line_again(session: Session, site: str, node: str, *, now: datetime) -> str | None:
    """Another first password, for a node whose line was not used in time; None for any other."""
    unused = _unheard().join(Site).where(Site.name == site, Node.name == node)
    if session.scalar(unused) is None:
        return None
    return issue_again(session, node_user(site, node, 1), now=now)


def retire(session: Session, node: Node, site: str, *, now: datetime) -> int:
    """Take a node out of service: its passwords end, and what it was told is cleared. How many ended."""
    present = in_force(session, node_id=node.id)
    for one in present:
        revoke(session, one.user, now=now)
    node.retired = now
    clear_node(session, (site, node.name), now=now)
    return len(present)


def _begin_due(session: Session, now: datetime) -> None:
    """Begin the changes of nodes that were heard with their first password, or use one for a year."""
    present: dict[int, list[InForce]] = {}
    for one in in_force(session):
        if one.node_id is not None:
            present.setdefault(one.node_id, []).append(one)
    chosen = (Node.kind == "tracked") & Node.retired.is_(None) & Node.last_heard_ms.is_not(None)
    for node, site in session.execute(select(Node, Site.name).join(Site).where(chosen)):
        held = present.get(node.id, [])
        if len(held) == 1 and (held[0].generation == 1 or now - held[0].made >= YEAR):
            user, _ = begin(session, node, site, is_leak=False, anew=False, now=now)
            log.info("%s is told to %s/%s", user, site, node.name)


def _unheard() -> Select[int]:
    """The nodes that carry a line and have not used it."""
    return select(Node.id).where(Node.kind == "tracked", Node.retired.is_(None), Node.last_heard_ms.is_(None))


def _end_unused(session: Session, now: datetime) -> list[str]:
    """End the first passwords that nobody used within a day: who finds a line later is not the node."""
    unheard = set(session.scalars(_unheard()))
    first = [one for one in in_force(session) if one.node_id in unheard and one.generation == 1]
    late = [one for one in first if now - one.made >= LINE]
    for one in late:
        revoke(session, one.user, now=now)
        log.warning("%s ends: its line was not used in a day (hangtrue node enrol gives another)", one.user)
    return [one.user for one in late]


def _end_old(session: Session, one: Change, now: datetime) -> list[str]:
    """End all passwords of a node but the newest; the users that they were of."""
    old = in_force(session, node_id=one.node_id)[:-1]
    for each in old:
        revoke(session, each.user, now=now)
        log.info("%s ends: the node has a newer password", each.user)
    return [each.user for each in old]
