"""Credentials: issued once, kept as a hash, revoked."""

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from server.auth.credentials import issue, node_user, revoke
from server.auth.passwords import hashed
from server.auth.tables import Credential
from server.doors.register import enrol_node
from server.errors import AlreadyThereError, SettingsError
from tests.fakes.clock import HandClock
from tests.refusals import refuses


def test_the_user_of_a_node_carries_its_generation() -> None:
    assert node_user("saltmarsh-yard", "north", 2) == "saltmarsh-yard.north.2"


def test_only_a_salted_hash_is_kept(session: Session, clock: HandClock) -> None:
    node = enrol_node(session, "saltmarsh-yard", "north", kind="tracked", zone="UTC", now=clock())
    user = node_user("saltmarsh-yard", "north", 1)
    password = issue(session, node_id=node.id, user=user, role="node", generation=1, now=clock())
    session.commit()
    row = session.scalars(select(Credential)).one()
    assert (row.node_id, row.role, row.user, row.generation) == (node.id, "node", user, 1)
    assert (row.made, row.revoked) == (clock(), None)
    assert row.hash == hashed(password.encode(), row.salt)
    assert password.encode() not in row.hash + row.salt


def test_a_user_is_issued_once(session: Session, clock: HandClock) -> None:
    issue(session, node_id=None, user="yard-screen", role="watch", generation=1, now=clock())
    with refuses(AlreadyThereError, asked="for yard-screen", needed="another user", came="has a password"):
        issue(session, node_id=None, user="yard-screen", role="watch", generation=1, now=clock())


@pytest.mark.parametrize("role", ["node", "keeper"])
def test_a_role_that_does_not_fit_is_refused(session: Session, clock: HandClock, role: str) -> None:
    with refuses(SettingsError, asked="issue a password", needed="role node with a node", came=role):
        issue(session, node_id=None, user="x", role=role, generation=1, now=clock())


def test_a_credential_is_revoked_once(session: Session, clock: HandClock) -> None:
    issue(session, node_id=None, user="yard-screen", role="watch", generation=1, now=clock())
    clock.advance(hours=1)
    assert revoke(session, "yard-screen", now=clock()) is True
    assert session.scalars(select(Credential.revoked)).one() == clock()
    assert revoke(session, "yard-screen", now=clock()) is False
