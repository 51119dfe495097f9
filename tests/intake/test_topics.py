"""Topics, filters and rights."""

import pytest

from server.intake.topics import is_filter, is_topic, leaf_of, matches, may_read, read_by, written_by
from server.intake.values import Identity
from tests.fakes.intake import NORTH, SOUTH

NODE = Identity(credential_id=1, user="u", role="node", site="saltmarsh-yard", node="north")
WATCHER = Identity(credential_id=2, user="w", role="watch")

# The examples of MQTT 3.1.1, 4.7.1 to 4.7.3 (the same in 5.0).
MATCHES = [
    ("sport/tennis/player1/#", "sport/tennis/player1", True),
    ("sport/tennis/player1/#", "sport/tennis/player1/ranking", True),
    ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
    ("sport/#", "sport", True),
    ("sport/tennis/+", "sport/tennis/player1", True),
    ("sport/tennis/+", "sport/tennis/player1/ranking", False),
    ("sport/+", "sport", False),
    ("sport/+", "sport/", True),
    ("/finance", "/finance", True),
    ("+/+", "/finance", True),
    ("/+", "/finance", True),
    ("+", "/finance", False),
    ("#", "$SYS/broker", False),
    ("+/monitor/Clients", "$SYS/monitor/Clients", False),
    ("$SYS/#", "$SYS/broker", True),
    ("ACCOUNTS", "Accounts", False),
]
FILTERS = [("#", True), ("sport/tennis/#", True), ("sport/tennis#", False), ("sport/tennis/#/ranking", False)]
FILTERS += [("+", True), ("+/tennis/#", True), ("sport+", False), ("sport/+/player1", True), ("", False)]


@pytest.mark.parametrize(("wanted", "topic", "does"), MATCHES)
def test_matches(wanted: str, topic: str, *, does: bool) -> None:
    assert matches(wanted, topic) is does


@pytest.mark.parametrize(("wanted", "is_well_formed"), FILTERS)
def test_filters(wanted: str, *, is_well_formed: bool) -> None:
    assert is_filter(wanted) is is_well_formed


def test_topics() -> None:
    assert is_topic(NORTH + "ack")
    assert not any(map(is_topic, ("", "a/+", "a/#", "a+b")))
    assert leaf_of(NORTH + "ack") == "ack"


def test_rights() -> None:
    assert written_by(NODE) == {NORTH + "readings", NORTH + "status"}
    assert read_by(NODE) == {NORTH + "config", NORTH + "ack", NORTH + "secret"}
    assert written_by(WATCHER) == read_by(WATCHER) == frozenset()
    assert may_read(WATCHER, "hangtrue/v1/#")
    assert not may_read(WATCHER, "#")
    assert not may_read(NODE, SOUTH + "ack")
    assert not may_read(NODE, NORTH + "#")


def test_a_node_without_a_place_has_no_rights() -> None:
    nowhere = Identity(credential_id=3, user="n", role="node", site="saltmarsh-yard")
    assert written_by(nowhere) == frozenset()
