"""The directory: who a client is, and its session, over the real database."""

from datetime import timedelta

import pytest
from sqlalchemy import Engine, update
from sqlalchemy.orm import Session

from server.auth.credentials import issue
from server.auth.keyring import Keyring
from server.database import session_of
from server.doors.register import add_channels, enrol_node
from server.doors.tables import Node
from server.intake.excess import flooding_nodes
from server.intake.values import DownlinkValue, Identity, SessionState
from server.readings.sessions import end_old_sessions, put_downlink
from server.service.configs import refresh_configs
from server.service.directory import DatabaseDirectory
from tests.fakes.clock import HandClock

USER = "saltmarsh-yard.north.1"


@pytest.fixture
def enrolled(engine: Engine, clock: HandClock) -> str:
    """A yard with one node; its password."""
    with session_of(engine) as session:
        node = enrol_node(
            session, "saltmarsh-yard", "north", kind="tracked", zone="Europe/London", now=clock()
        )
        add_channels(session, node, [("saltmarsh-yard/north/air-temp", "Cel")], now=clock())
        return issue(session, node_id=node.id, user=USER, role="node", generation=1, now=clock())


@pytest.fixture
def directory(engine: Engine, clock: HandClock) -> DatabaseDirectory:
    return DatabaseDirectory(engine, Keyring(lambda: Session(engine)), clock=clock)


def test_a_node_is_known_by_its_password_alone(directory: DatabaseDirectory, enrolled: str) -> None:
    known = directory.identify(USER, enrolled.encode())
    assert known == Identity(
        credential_id=known.credential_id if known else 0,
        user=USER,
        role="node",
        site="saltmarsh-yard",
        node="north",
    )
    assert directory.identify(USER, b"0000000000000000") is None
    assert directory.identify("saltmarsh-yard.south.1", enrolled.encode()) is None


def test_a_session_comes_back_as_it_was_until_it_runs_out(
    engine: Engine, directory: DatabaseDirectory, enrolled: str, clock: HandClock
) -> None:
    known = directory.identify(USER, enrolled.encode())
    assert known is not None
    kept = SessionState(
        client_id="htae3d2911c36606ac8ea3",
        credential_id=known.credential_id,
        filters={"hangtrue/v1/saltmarsh-yard/north/ack": 1},
        acknowledged={"hangtrue/v1/saltmarsh-yard/north/ack": 4},
        sent={"hangtrue/v1/saltmarsh-yard/north/ack": 5},
        owner="saltmarsh-yard/north",
        until_ms=round(clock().timestamp() * 1000) + 60_000,
    )
    directory.save_session(kept)
    assert directory.load_session(kept.client_id) == kept
    clock.advance(timedelta(seconds=61))
    assert directory.load_session(kept.client_id) is None
    clock.advance(timedelta(days=2))
    with session_of(engine) as session:
        end_old_sessions(session, now=clock())
    directory.end_session(kept.client_id)
    assert directory.load_session(kept.client_id) is None


def test_a_node_is_told_of_its_channels_once(
    engine: Engine, directory: DatabaseDirectory, enrolled: str, clock: HandClock
) -> None:
    topic = "hangtrue/v1/saltmarsh-yard/north/config"
    assert [(word.topic, word.rev) for word in refresh_configs(engine, clock=clock)] == [(topic, 1)]
    assert refresh_configs(engine, clock=clock) == []
    told = directory.downlinks([topic, "hangtrue/v1/saltmarsh-yard/north/ack"])
    assert [(word.rev, b'["air-temp","Cel",2]' in word.payload) for word in told] == [(1, True)]


def test_a_down_link_that_was_cleared_is_none(
    engine: Engine, directory: DatabaseDirectory, clock: HandClock
) -> None:
    topics = ["hangtrue/v1/saltmarsh-yard/north/secret", "hangtrue/v1/saltmarsh-yard/north/config"]
    with session_of(engine) as session:
        for topic, payload in zip(topics, (b"", b"{}"), strict=True):
            put_downlink(session, topic, payload, rev=2, now=clock())
    assert [word.topic for word in directory.downlinks(topics)] == topics[1:]


def test_what_nodes_said_of_themselves_is_told_under_their_topics(
    engine: Engine, directory: DatabaseDirectory, enrolled: str
) -> None:
    assert directory.states() == []
    with session_of(engine) as session:
        session.execute(update(Node).values(status='{"st": "up"}'))
    told = DownlinkValue(topic="hangtrue/v1/saltmarsh-yard/north/status", payload=b'{"st": "up"}', rev=0)
    assert directory.states() == [told]


def test_a_node_that_sends_too_much_is_noted_at_the_hour(
    engine: Engine, directory: DatabaseDirectory, enrolled: str, clock: HandClock
) -> None:
    directory.note_flooding("saltmarsh-yard", "north")
    with session_of(engine) as session:
        told = flooding_nodes(session, since_ms=0)
    assert told == {"saltmarsh-yard/north": round(clock().timestamp() * 1000)}
