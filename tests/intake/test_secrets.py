"""What is told on `secret`, and what is cleared, as rows of the down-links."""

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from sensors.message.secret import read_secret
from server.database import session_of
from server.intake.secrets import (
    changes,
    clear_node,
    clear_secret,
    every_downlink,
    secrets_and_clearings,
    tell_secret,
)
from server.readings.sessions import put_downlink
from tests.fakes.clock import HandClock
from tests.fakes.intake import NORTH
from tests.intake.yard import enrol_world

NAMES = ("saltmarsh-yard", "north")
KEY = "W3NH5R1EJD6GPY0S"


def told(session: Session, clock: HandClock, generation: int = 2) -> None:
    tell_secret(session, NAMES, generation=generation, key=KEY, is_leak=False, now=clock())


def test_each_word_on_a_topic_has_a_higher_revision(engine: Engine, clock: HandClock) -> None:
    enrol_world(engine)
    seen: list[tuple[str, int]] = []
    with session_of(engine) as session:
        for generation in (2, 3):
            told(session, clock, generation)
            seen.extend((word.topic, word.rev) for word in secrets_and_clearings(session))
        clear_secret(session, NAMES, now=clock())
        (last,) = secrets_and_clearings(session)
    assert seen == [(NORTH + "secret", 1), (NORTH + "secret", 2)]
    assert (last.payload, last.rev) == (b"", 3)


def test_a_change_is_known_by_its_node_until_that_is_retired(engine: Engine, clock: HandClock) -> None:
    enrol_world(engine)
    with session_of(engine) as session:
        assert changes(session) == []
        told(session, clock)
        (change,) = changes(session)
        assert (change.site, change.node, change.changed) == (*NAMES, clock())
        assert change.secret is not None
        assert (change.secret.key, change.at_generation, change.spoke_ms) == (KEY, None, None)
        clear_secret(session, NAMES, now=clock())
        assert [one.secret for one in changes(session)] == [None]


def test_a_node_that_is_retired_is_cleared_of_all_and_others_keep_theirs(
    engine: Engine, clock: HandClock
) -> None:
    enrol_world(engine)
    with session_of(engine) as session:
        for name in (NORTH + "config", NORTH + "ack", "hangtrue/v1/saltmarsh-yard/south/config"):
            put_downlink(session, name, b"{}", rev=7, now=clock())
        clear_node(session, NAMES, now=clock())
        cleared = {word.topic: word.rev for word in secrets_and_clearings(session)}
    assert cleared == {NORTH + "config": 8, NORTH + "ack": 8, NORTH + "secret": 1, NORTH + "status": 1}
    every = {word.topic: word.payload for word in every_downlink(engine)}
    assert every["hangtrue/v1/saltmarsh-yard/south/config"] == b"{}"
    assert len(every) == 5
    assert read_secret(every[NORTH + "secret"]) is None
