"""Who may what, how passwords are checked, and where the listener listens; bytes by hand.

Sources: RFC 7914 (scrypt); section 5.4 of MQTT 3.1.1 (OASIS 2014-10-29) and of 5.0 (OASIS 2019-03-07).
"""

import hashlib
import socket
import ssl
import threading
import time
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, update

from server.auth.passwords import draw_password, draw_salt, hashed
from server.auth.tables import Credential
from server.database import open_engine, session_of
from server.errors import SettingsError
from server.intake.limits import Limits
from server.intake.listener import Listener
from server.schema import upgrade
from server.service import tls
from tests.fakes.certificates import listening_with, site_files
from tests.fakes.intake import FakeQueue, listening, saltmarsh_yard, wait_for
from tests.intake.raw import (
    CLIENT,
    NORTH,
    PASSWORD,
    SUBACK,
    USER,
    Heard,
    Socket,
    frame,
    hello,
    publish,
    subscribe,
    text,
)
from tests.intake.whole import enrol_users, taking_in
from tests.intake.yard import north_pack, rows
from tests.refusals import refuses

WRITES, READS = ("readings", "status"), ("config", "ack", "secret")


@pytest.mark.parametrize("leaf", [*WRITES, *READS, "other", ""])
def test_a_node_writes_two_topics_and_reads_three(leaf: str) -> None:
    with listening() as yard, Socket(yard.port, 5) as node:
        node.enter()
        node.send(frame(0x32, text(NORTH + leaf), b"\x00\x01\x00", b"[]"))
        if leaf in WRITES:
            yard.queue.wait(1)
            yard.listener.taken(yard.queue.taken(None))
        assert (node.hear().body[2:3] == b"\x87") == (leaf not in WRITES)
        node.send(subscribe(5, (NORTH + leaf, 1)))
        assert node.hear() == Heard(SUBACK, b"\x00\x09\x00" + (b"\x01" if leaf in READS else b"\x87"))


@pytest.mark.parametrize("role", ["collector", "watcher"])
def test_other_roles(role: str) -> None:
    """The collector is inside and connects to nobody; who watches reads and writes nothing."""
    with listening() as yard, Socket(yard.port, 5) as client:
        client.send(hello(5, user=role))
        assert client.hear().connack() == (0, 0x87 if role == "collector" else 0)


# --- passwords


def test_a_password_is_kept_as_scrypt() -> None:
    """RFC 7914 with n 2**14, r 8, p 1 and a salt of 16 bytes; the password has 80 bits."""
    salt = draw_salt()
    assert len(salt) == 16
    assert hashed(b"key", salt) == hashlib.scrypt(b"key", salt=salt, n=2**14, r=8, p=1)
    assert len(draw_password()) == 16
    assert len({draw_password() for _ in range(50)}) == 50


def test_checks_run_two_at_a_time_off_the_loop_and_fifty_may_wait() -> None:
    limits = Limits()
    assert (limits.checks_at_once, limits.checks_waiting) == (2, 50)
    directory = saltmarsh_yard()
    directory.gate.clear()
    names: set[str] = set()
    usual = directory.identify

    def identify(user: str, password: bytes) -> Any:
        names.add(threading.current_thread().name)
        return usual(user, password)

    directory.identify = identify  # type: ignore[method-assign]
    with listening(directory, connections_an_address=100) as yard:
        clients = [Socket(yard.port) for _ in range(53)]
        for number, client in enumerate(clients[:52]):
            client.send(hello(4, client_id=f"c{number}"))
        wait_for(lambda: directory.asked == 2, "two checks")
        assert clients[0].is_quiet()
        clients[52].send(hello(4))
        assert clients[52].hear().connack() == (0, 3), "the 53rd finds no room"
        assert directory.asked == 2
        directory.gate.set()
        assert [client.hear().connack()[1] for client in clients[:52]] == [0] * 52
        for client in clients:
            client.cut()
    assert len(names) == 2
    assert all("intake-check" in name for name in names)


def test_five_failures_of_an_address_make_the_next_wait_five_seconds() -> None:
    limits = Limits()
    assert (limits.failures, limits.failures_within_s, limits.failure_wait_s) == (5, 60.0, 5.0)
    with listening(failure_wait_s=0.4) as yard:
        for number in range(6):
            with Socket(yard.port) as client:
                began_s = time.monotonic()
                client.send(hello(4, password=b"wrong"))
                assert client.hear().connack() == (0, 4)
                assert (time.monotonic() - began_s >= 0.4) == (number == 5)


@pytest.fixture
def engine(tmp_path: Path) -> Any:
    """A database of one kind: these cases are about the listener."""
    upgrade(url := f"sqlite:///{tmp_path / 'yard.db'}")
    engine = open_engine(url)
    enrol_users(engine)
    yield engine
    engine.dispose()


def counted(calls: list[bytes]) -> Callable[[bytes, bytes], bytes]:
    def derive(password: bytes, salt: bytes) -> bytes:
        calls.append(password)
        return salt + password

    return derive


def test_a_reconnect_storm_costs_no_scrypt(engine: Engine) -> None:
    """A success is remembered in memory; a wrong password and a stranger cost one each time."""
    calls: list[bytes] = []
    with taking_in(engine, derive=counted(calls)) as whole:
        for _ in range(20):
            with Socket(whole.port) as node:
                node.enter()
        assert calls == [PASSWORD]
        for changes in ({"password": b"wrong"}, {"user": "nobody"}):
            with Socket(whole.port) as client:
                client.send(hello(4, **changes))
                assert client.hear().connack() == (0, 4)
        assert calls == [PASSWORD, b"wrong", PASSWORD]
        with session_of(engine) as session:  # another password now: what is remembered is not enough
            session.execute(
                update(Credential).where(Credential.user == USER).values(hash=b"other", salt=b"s")
            )
        with Socket(whole.port) as node:
            node.send(hello(4))
            assert node.hear().connack() == (0, 4)


def test_neither_password_nor_payload_is_logged(engine: Engine, caplog: pytest.LogCaptureFixture) -> None:
    secrets = [PASSWORD.decode(), "WRONGPASSWORD", "PLANTED", north_pack(1).decode()]
    caplog.set_level("DEBUG")
    with taking_in(engine) as whole:
        for changes in ({}, {"password": b"WRONGPASSWORD"}, {"user": "nobody", "password": b"WRONGPASSWORD"}):
            for version in (4, 5):
                with Socket(whole.port, version) as node:
                    node.send(hello(version, client_id=CLIENT, **changes))
                    if node.hear().connack()[1]:
                        continue
                    packs = [north_pack(1), b'[{"n":"PLANTED"}]', b"PLANTED"]
                    node.send(*[publish(version, at, payload=one) for at, one in enumerate(packs, 1)])
                    assert [node.hear().identifier() for _ in packs] == [1, 2, 3]
                    node.send(frame(0x34, text(NORTH + "readings"), b"\0\1\0", b"PLANTED"))
                    node.rest()
        assert len(rows(engine, "SELECT 1 FROM quarantine")) == 2
    told = "\n".join(f"{record.getMessage()} {record.exc_text or ''}" for record in caplog.records)
    assert told
    assert [one for one in secrets if one in told] == []


# --- where it listens


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.1", "collector.lan"])  # noqa: S104 - refused
def test_off_the_loopback_a_certificate_is_needed(host: str) -> None:
    listener = Listener(queue=FakeQueue(), directory=saltmarsh_yard(), clock_ms=lambda: 0, bind=(host, 0))
    with refuses(SettingsError, asked=host, needed="certificate", came="unencrypted"):
        listener.start()


@pytest.mark.parametrize(
    ("version", "is_taken"),
    [(ssl.TLSVersion.TLSv1_1, False), (ssl.TLSVersion.TLSv1_2, True), (ssl.TLSVersion.TLSv1_3, True)],
)
def test_tls_from_1_2_on(tmp_path: Path, version: ssl.TLSVersion, is_taken: bool) -> None:
    files = site_files(tmp_path)
    ours = tls.server_context(files.tls.cert, files.tls.key)
    assert ours.minimum_version == ssl.TLSVersion.TLSv1_2
    theirs = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    theirs.load_verify_locations(files.tls.ca)
    theirs.set_ciphers("ALL:@SECLEVEL=0")
    with pytest.warns(DeprecationWarning, match="TLSv1_1") if not is_taken else nullcontext():
        theirs.minimum_version = theirs.maximum_version = version
    with listening_with(ours) as (_, port), socket.create_connection(("127.0.0.1", port), 5) as plain:
        if not is_taken:
            with pytest.raises((ssl.SSLError, ConnectionError)):
                theirs.wrap_socket(plain, server_hostname="collector.lan")
            return
        with theirs.wrap_socket(plain, server_hostname="collector.lan") as wrapped:
            wrapped.sendall(hello(4))
            assert wrapped.recv(4) == b"\x20\x02\x00\x00"


def test_plain_bytes_are_not_taken_where_tls_is(tmp_path: Path) -> None:
    files = site_files(tmp_path)
    with listening_with(tls.server_context(files.tls.cert, files.tls.key)) as (_, port), Socket(port) as node:
        node.send(hello(4))
        assert b"\x20\x02" not in node.rest()


def test_a_renewed_certificate_is_for_new_connections(tmp_path: Path) -> None:
    """Read again on SIGHUP: who is connected stays so."""
    files = site_files(tmp_path)
    ours = tls.server_context(files.tls.cert, files.tls.key)
    theirs = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    theirs.load_verify_locations(files.tls.ca)
    with listening_with(ours) as (listener, port):
        old = theirs.wrap_socket(
            socket.create_connection(("127.0.0.1", port), 5), server_hostname="localhost"
        )
        with old:
            old.sendall(hello(4))
            assert old.recv(4) == b"\x20\x02\x00\x00"
            made = ssl.PEM_cert_to_DER_cert(files.renew())
            assert old.getpeercert(binary_form=True) != made
            done = threading.Event()
            listener.renew(lambda: (tls.renew(ours, files.tls.cert, files.tls.key), done.set()))  # type: ignore[func-returns-value, arg-type]
            assert done.wait(5)
            new = theirs.wrap_socket(
                socket.create_connection(("127.0.0.1", port), 5), server_hostname="localhost"
            )
            with new:
                assert new.getpeercert(binary_form=True) == made
            old.sendall(b"\xc0\x00")
            assert old.recv(2) == b"\xd0\x00"
