"""Down-links of one client: which revision goes out, when, and how it is marked."""

from server.intake.packets import Filter
from server.intake.sessions import Session
from server.intake.values import DownlinkValue, SessionState
from tests.fakes.intake import NORTH


def state() -> SessionState:
    return SessionState(client_id="c", credential_id=1)


def value(leaf: str, rev: int, payload: bytes = b"{}") -> DownlinkValue:
    return DownlinkValue(topic=NORTH + leaf, payload=payload, rev=rev)


def session_with(*leaves: str, qos: int = 1) -> Session:
    session = Session(state())
    for leaf in leaves:
        session.subscribe(Filter(topic=NORTH + leaf, qos=qos), qos)
    return session


def test_nothing_is_due_without_a_subscription() -> None:
    session = session_with("ack")
    session.post([value("config", 1)])
    assert session.due(10) == []


def test_an_older_revision_is_never_sent_after_a_newer() -> None:
    session = session_with("ack")
    session.post([value("ack", 5)])
    session.post([value("ack", 4)])
    session.post_retained([value("ack", 4)])
    assert len(session.due(10)) == 1
    session.acknowledge(2)
    session.post([value("ack", 5)])
    assert session.due(10) == []
    assert session.state.acknowledged == {NORTH + "ack": 5}


def test_an_acknowledgement_of_nothing_is_told_apart() -> None:
    session = session_with("ack")
    assert not session.acknowledge(2)
    session.post([value("ack", 1)])
    session.due(10)
    assert session.acknowledge(2)
    assert not session.acknowledge(2)


def test_qos_0_needs_no_acknowledgement() -> None:
    session = session_with("ack", qos=0)
    session.post([value("ack", 1)])
    session.post([value("ack", 2)])
    (packet,) = session.due(10)
    assert (packet.qos, packet.packet_id, packet.dup) == (0, None, False)
    assert session.state.acknowledged == {NORTH + "ack": 2}


def test_no_more_deliveries_are_open_than_the_client_takes() -> None:
    session = session_with("config", "ack", "secret")
    session.post([value("config", 1), value("ack", 1), value("secret", 1)])
    assert [packet.packet_id for packet in session.due(2)] == [1, 2]
    session.acknowledge(1)
    assert [packet.packet_id for packet in session.due(2)] == [3]


def test_only_a_delivery_that_was_open_is_marked_as_repeated() -> None:
    session = session_with("config", "ack")
    session.post([value("ack", 1)])
    session.due(10)
    again = Session(session.copy_of_state())
    again.post([value("ack", 2), value("config", 1)])
    marks = {packet.topic: packet.dup for packet in again.due(10)}
    assert marks == {NORTH + "ack": True, NORTH + "config": False}
    again.acknowledge(2)
    again.post([value("ack", 3)])
    assert [packet.dup for packet in again.due(10)] == [False]


def test_retain_as_published_keeps_the_flag() -> None:
    session = session_with("ack")
    session.subscribe(Filter(topic=NORTH + "ack", qos=1, retain_as_published=True), 1)
    session.post([value("ack", 1)])
    assert [packet.retain for packet in session.due(10)] == [True]


def test_a_cleared_downlink_is_nothing_retained_but_is_told_to_who_listens() -> None:
    session = session_with("secret")
    session.post_retained([value("secret", 1, b"")])
    assert session.due(10) == []
    session.post([value("secret", 2, b"")])
    assert [packet.payload for packet in session.due(10)] == [b""]


def test_a_copy_of_the_state_does_not_move_with_it() -> None:
    session = session_with("ack")
    copy = session.copy_of_state()
    session.post([value("ack", 1)])
    session.due(10)
    session.acknowledge(2)
    session.unsubscribe(NORTH + "ack")
    assert (copy.filters, copy.sent, copy.acknowledged) == ({NORTH + "ack": 1}, {}, {})
