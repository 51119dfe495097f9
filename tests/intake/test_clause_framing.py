"""How the listener reads and writes its sockets: the rules that keep it fast, each seen from outside."""

import asyncio
import socket
from asyncio import selector_events
from typing import Any

import pytest

from server.intake.connection import Connection
from tests.fakes.intake import listening, wait_for
from tests.intake.raw import PING, PONG, Heard, Socket, hello, publish


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> list[Connection]:
    """The connections that the listener makes, in order."""
    seen: list[Connection] = []
    usual = Connection.connection_made

    def connection_made(self: Connection, transport: asyncio.BaseTransport) -> None:
        seen.append(self)
        usual(self, transport)

    monkeypatch.setattr(Connection, "connection_made", connection_made)
    return seen


def transport_of(connection: Connection) -> Any:
    return connection._transport


def test_one_reading_of_the_socket_gives_many_packets(
    made: list[Connection], monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[int] = []
    usual = Connection.data_received

    def data_received(self: Connection, data: bytes) -> None:
        calls.append(len(data))
        usual(self, data)

    monkeypatch.setattr(Connection, "data_received", data_received)
    with listening() as yard, Socket(yard.port) as node:
        node.enter()
        calls.clear()
        node.send(*[publish(4, number) for number in range(1, 101)])
        yard.queue.wait(100)
    assert issubclass(Connection, asyncio.Protocol)
    assert len(calls) < 10


def test_what_is_eaten_is_gone_and_what_is_left_stays(made: list[Connection]) -> None:
    whole = publish(4, 1)
    with listening() as yard, Socket(yard.port) as node:
        node.enter()
        node.send(whole * 9 + whole[:11])
        yard.queue.wait(9)
        wait_for(lambda: bytes(made[0]._buffer) == whole[:11], "the rest of the tenth")
        node.send(whole[11:], PING)
        assert node.hear() == Heard(0xD0, b"")
        assert len(yard.queue.offers) == 10
        assert bytes(made[0]._buffer) == b""


def test_payloads_are_copies_of_their_own() -> None:
    with listening() as yard, Socket(yard.port) as node:
        node.enter()
        node.send(*[publish(4, number, payload=b"%d" % number) for number in range(1, 4)])
        assert [(type(one.payload), one.payload) for one in yard.queue.wait(3)] == [
            (bytes, b"1"),
            (bytes, b"2"),
            (bytes, b"3"),
        ]


def test_the_pubacks_of_a_commit_go_out_in_one_write(monkeypatch: pytest.MonkeyPatch) -> None:
    writes: list[bytes] = []
    transport: Any = selector_events._SelectorSocketTransport  # type: ignore[attr-defined]
    usual = transport.write

    def write(self: Any, data: bytes) -> None:
        writes.append(bytes(data))
        usual(self, data)

    with listening() as yard, Socket(yard.port) as node:
        node.enter()
        node.send(*[publish(4, number) for number in range(1, 201)])
        yard.queue.wait(200)
        monkeypatch.setattr(transport, "write", write)
        yard.listener.taken(yard.queue.taken(*[None] * 200))
        assert [node.hear().identifier() for _ in range(200)] == list(range(1, 201))
        monkeypatch.undo()
    sent = b"".join(b"\x40\x02" + number.to_bytes(2, "big") for number in range(1, 201))
    assert [one for one in writes if one.startswith(b"\x40")] == [sent]


def test_small_answers_are_not_kept_back(made: list[Connection]) -> None:
    with listening() as yard, Socket(yard.port) as node:
        node.enter()
        plug = transport_of(made[0]).get_extra_info("socket")
        assert plug.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


def test_one_timer_a_connection_however_many_packets(made: list[Connection]) -> None:
    """Re-armed when it is due, not with each packet: the loop's heap does not grow with the traffic."""
    with listening() as yard, Socket(yard.port) as node:
        node.enter()
        heap: list[object] = made[0]._loop._scheduled  # type: ignore[attr-defined]
        before = len(heap)
        for _ in range(50):
            node.send(PING * 20)
            assert [node.hear() for _ in range(20)] == [Heard(0xD0, b"")] * 20
        assert len(heap) <= before + 2
    assert len(PONG) == len(PING)


@pytest.mark.parametrize("version", [4, 5])
def test_an_empty_property_block_costs_one_byte(version: int) -> None:
    with listening() as yard, Socket(yard.port, version) as node:
        node.send(hello(version), PING)
        node.hear()
        assert node.hear() == Heard(0xD0, b"")
        node.send(publish(version, 1, payload=b"x"))
        assert yard.queue.wait(1)[0].properties is None
    assert len(publish(5, 1)) == len(publish(4, 1)) + 1
