"""The socket that paho is given: in order, whole packets, over TLS or not."""

import socket
import ssl
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from server.intake.broker_wire import AT_ONCE_BYTES, Wire, Wiring
from tests.fakes.certificates import site_files
from tests.fakes.intake import DEADLINE_S, wait_for

LARGE = b"x" * (8 * AT_ONCE_BYTES)  # more than the system keeps for one who does not read


@pytest.fixture
def ends() -> Iterator[tuple[Wire, socket.socket]]:
    ours, theirs = socket.socketpair()
    theirs.settimeout(DEADLINE_S)
    wire = Wire(ours)
    wire.settimeout(0)
    with theirs:
        yield wire, theirs
        wire.close()


def test_paho_reads_only_what_is_passed_on(ends: tuple[Wire, socket.socket]) -> None:
    wire, theirs = ends
    theirs.sendall(b"publication")
    with pytest.raises(BlockingIOError):
        wire.recv(1)
    wire.pass_on(b"abc")
    assert (wire.recv(1), wire.recv(9)) == (b"a", b"bc")
    wire.end()
    assert wire.recv(1) == b"", "the end, as of any socket"


def test_what_is_put_back_stands_before_what_comes(ends: tuple[Wire, socket.socket]) -> None:
    wire, theirs = ends
    assert wire.take() == b""
    theirs.sendall(b"ab")
    assert wire.take() == b"ab"
    wire.put_back(b"b")
    assert wire.take() == b"", "nothing new"
    theirs.sendall(b"c")
    assert wire.take() == b"bc"
    theirs.close()
    assert (wire.take(), wire.has_ended) == (b"", True)


def test_acknowledgements_go_behind_what_was_sent_before_they_were_counted(
    ends: tuple[Wire, socket.socket],
) -> None:
    wire, theirs = ends
    wire.acknowledge(b"1")
    wire.acknowledge(b"2")
    lots = wire.acks_waiting()
    wire.acknowledge(b"3")
    wire.send(b"word ")
    wire.add_acks(lots)
    wire.flush()
    assert theirs.recv(99) == b"word 12"
    assert wire.acks_waiting() == 1


def test_a_packet_is_never_broken_by_another(ends: tuple[Wire, socket.socket]) -> None:
    """Of a large one the system takes a part; what is sent next must not stand in its middle."""
    wire, theirs = ends
    assert wire.send(LARGE) == len(LARGE)
    wire.flush()
    assert wire.has_unsent()
    wire.acknowledge(b"ack")
    wire.add_acks(1)
    came = bytearray()
    while len(came) < len(LARGE) + 3:
        wire.flush()
        came += theirs.recv(AT_ONCE_BYTES)
    assert bytes(came) == LARGE + b"ack"
    assert not wire.has_unsent()


def test_it_closes_with_its_last_word(ends: tuple[Wire, socket.socket]) -> None:
    wire, theirs = ends
    wire.send(b"farewell")
    wire.close()
    assert (theirs.recv(99), theirs.recv(99)) == (b"farewell", b"")
    assert wire.fileno() == -1


def test_a_broker_that_is_gone_ends_it(ends: tuple[Wire, socket.socket]) -> None:
    wire, theirs = ends
    theirs.close()
    wire.send(LARGE)
    wire.flush()
    assert wire.has_ended
    wire.flush()


def test_over_tls_more_may_be_there_than_select_knows_of(tmp_path: Path) -> None:
    """A record of TLS holds 16384 bytes (RFC 8446, 5.1), and is read from the system as a whole."""
    tls = site_files(tmp_path / "ca").tls
    theirs = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    theirs.load_cert_chain(tls.cert, tls.key)
    ours = ssl.create_default_context(cafile=str(tls.ca))
    payload = bytes(range(256)) * 256
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            one, _ = server.accept()
            with theirs.wrap_socket(one, server_side=True) as wrapped:
                wrapped.sendall(payload)
                wrapped.recv(1)

        thread = threading.Thread(target=serve)
        thread.start()
        plain = socket.create_connection(server.getsockname())
        wiring = Wiring(ours)
        assert wiring.check_hostname, "or paho would not have the broker's name checked"
        wire = wiring.wrap_socket(plain, server_hostname="127.0.0.1", do_handshake_on_connect=False)
        wire.settimeout(DEADLINE_S)
        wire.do_handshake()
        wire.settimeout(0)
        came, was_more = bytearray(), [False]

        def all_there() -> bool:
            came.extend(wire.take())
            was_more[0] |= wire.has_more()
            return len(came) >= len(payload)

        wait_for(all_there, "all of it")
        wire.send(b".")
        wire.close()
        thread.join(DEADLINE_S)
    assert bytes(came) == payload
