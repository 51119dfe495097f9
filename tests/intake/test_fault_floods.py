"""Clients that ask too much: connections, no reading, wrong passwords. Others go on; memory stays flat.

Bounds of memory are far below what would be needed to keep what is sent, and far above the noise.
"""

import gc
import resource
import threading
import time
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine

from server.database import open_engine
from server.schema import upgrade
from tests.fakes.intake import Yard, listening, wait_for
from tests.intake.raw import NORTH, PING, SOUTH_USER, USER, Heard, Socket, hello, publish, subscribe
from tests.intake.whole import enrol_users, taking_in
from tests.intake.yard import north_pack, rows

MIB = 2**20


@contextmanager
def flat(most_bytes: int) -> Iterator[Callable[[], int]]:
    """Fail when the memory that Python took within the block was ever more than this above its start."""
    gc.collect()
    tracemalloc.start()
    try:
        start, _ = tracemalloc.get_traced_memory()
        yield lambda: tracemalloc.get_traced_memory()[0] - start
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak - start <= most_bytes, f"{(peak - start) / MIB:.1f} MiB"


@pytest.fixture
def many_files() -> Iterator[None]:
    """Room for both ends of 1000 sockets in this process."""
    usual, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = 4096 if most == resource.RLIM_INFINITY else min(4096, most)
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(usual, wanted), most))
    yield
    resource.setrlimit(resource.RLIMIT_NOFILE, (usual, most))


def served(yard: Yard, node: Socket, number: int) -> float:
    """Seconds that a node's pack takes until it is acknowledged, and a ping."""
    began_s = time.monotonic()
    node.send(publish(4, number), PING)
    assert node.hear() == Heard(0xD0, b"")
    yard.listener.taken(yard.queue.taken(None))
    assert node.hear().identifier() == number
    return time.monotonic() - began_s


def test_600_connections(many_files: None) -> None:
    """500 are served, 20 of an address; the rest are told so, and those who were there go on."""
    with flat(24 * MIB) as used, listening() as yard, Socket(yard.port) as node, ExitStack() as sockets:
        node.enter()
        crowd = [
            sockets.enter_context(Socket(yard.port, 4 + number % 2, source=f"127.0.1.{1 + number // 20}"))
            for number in range(600)
        ]
        codes = []
        for number, client in enumerate(crowd):
            client.send(hello(client.version, client_id=f"c{number}", user=SOUTH_USER))
            codes.append(client.hear().connack()[1])
        assert codes[:499] == [0] * 499
        assert codes[499:] == [(3, 0x97)[number % 2] for number in range(499, 600)]
        assert served(yard, node, 1) < 2.0
        assert all(client.ping() for client in crowd[:499:50])
        wait_for(lambda: yard.count("connections") == 500, "those refused to be gone")
        assert used() / 600 < 40_000, "bytes a connection, both ends"
        sockets.close()
        wait_for(lambda: yard.count("connections") == 1, "all to be gone")
        assert served(yard, node, 2) < 2.0


def test_twenty_of_one_address_and_no_more() -> None:
    with listening() as yard, ExitStack() as sockets:
        crowd = [sockets.enter_context(Socket(yard.port, source="127.0.1.9")) for _ in range(21)]
        for number, client in enumerate(crowd):
            client.send(hello(4, client_id=f"c{number}"))
        assert [client.hear().connack()[1] for client in crowd] == [0] * 20 + [3]
        with Socket(yard.port) as other:
            other.enter(client_id="other")


def test_a_client_that_asks_and_never_reads(caplog: pytest.LogCaptureFixture) -> None:
    """It is closed once 256 KiB wait for it; nothing more is kept for it, and others do not notice."""
    with flat(4 * MIB), listening() as yard, Socket(yard.port) as deaf, Socket(yard.port) as node:
        yard.directory.put(NORTH + "config", b"x" * 60_000, 1)
        deaf.enter(client_id="deaf")
        node.enter()
        asked = 0
        while not yard.count("unread_closes") and asked < 2000:
            asked += deaf.fill(subscribe(4, (NORTH + "config", 0)), 1) > 0  # each finds 60 kB retained
            assert node.ping()
        assert yard.count("unread_closes") == 1
        assert served(yard, node, 1) < 2.0
    assert any("does not read" in line for line in caplog.messages)


def test_a_client_that_is_told_and_never_reads() -> None:
    with flat(4 * MIB), listening() as yard, Socket(yard.port) as deaf, Socket(yard.port) as node:
        deaf.enter(client_id="deaf")
        deaf.send(subscribe(4, (NORTH + "ack", 0)))
        deaf.hear()
        node.enter()
        for rev in range(1, 2000):
            yard.listener.send([yard.directory.put(NORTH + "ack", b"x" * 60_000, rev)])
            if rev % 20 == 0:
                assert served(yard, node, rev) < 2.0
            if yard.count("unread_closes"):
                break
        wait_for(lambda: yard.count("unread_closes") == 1, "the deaf one to be closed")
        assert node.ping()


def test_a_slow_reader_is_served_at_its_pace() -> None:
    """Who reads a little now and then is not closed: what waits for it stays within the bound."""
    with listening() as yard, Socket(yard.port) as slow:
        slow.enter()
        for _ in range(50):
            slow.send(PING * 200)
            assert [slow.hear() for _ in range(200)] == [Heard(0xD0, b"")] * 200
        assert yard.count("unread_closes") == 0


@pytest.fixture
def engine(tmp_path: Path) -> Any:
    """A database of one kind: these cases are about the listener."""
    upgrade(url := f"sqlite:///{tmp_path / 'yard.db'}")
    engine = open_engine(url)
    enrol_users(engine)
    yield engine
    engine.dispose()


class SlowScrypt:
    """Takes 10 ms as the real one takes 30, and counts how many run at once."""

    def __init__(self) -> None:
        self.now = self.most = self.calls = 0
        self._lock = threading.Lock()
        self._pause = threading.Event()

    def __call__(self, password: bytes, salt: bytes) -> bytes:
        with self._lock:
            self.now, self.calls = self.now + 1, self.calls + 1
            self.most = max(self.most, self.now)
        self._pause.wait(0.01)
        with self._lock:
            self.now -= 1
        return salt + password


def test_a_flood_of_wrong_passwords(engine: Engine) -> None:
    """Two checks at a time and fifty in line, the rest refused unheard; nodes go on and are answered."""
    scrypt, flood = SlowScrypt(), 300
    with taking_in(engine, derive=scrypt, failure_wait_s=0.05) as whole, Socket(whole.port) as node:
        node.enter()
        slowest_s, codes = 0.0, []
        with flat(8 * MIB):
            for wave in range(flood // 60):
                crowd = [Socket(whole.port, source=f"127.0.2.{wave * 4 + at // 15 + 1}") for at in range(60)]
                for number, client in enumerate(crowd):
                    user = USER if number % 2 else f"stranger-{number}"
                    client.send(hello(4, client_id=f"c{number}", user=user, password=b"wrong%d" % number))
                began_s = time.monotonic()
                node.send(publish(4, wave + 1, payload=north_pack(wave + 1)), PING)
                heard = {node.hear().first, node.hear().first}
                slowest_s = max(slowest_s, time.monotonic() - began_s)
                assert heard == {0xD0, 0x40}
                codes += [client.hear().connack()[1] for client in crowd]
                for client in crowd:
                    client.cut()
        assert (scrypt.most, len(codes)) == (2, flood)
        assert set(codes) == {3, 4}, "no time to check, or checked and wrong"
        assert codes.count(4) == scrypt.calls - 1 >= 52
        assert slowest_s < 2.0
        wait_for(lambda: whole.listener.counters()["connections"] == 1, "the flood to be gone")
        with Socket(whole.port) as other:
            other.enter(client_id="south", user=SOUTH_USER)
        assert rows(engine, "SELECT count(*) FROM reading") == [(2 * flood // 60,)]


def test_a_flood_of_packs_of_one_node(engine: Engine) -> None:
    """It is paused for its rate; its bytes wait in its own socket, and the other node goes on."""
    with taking_in(engine) as whole, Socket(whole.port) as loud, Socket(whole.port) as quiet:
        loud.enter()
        quiet.enter(client_id="south", user=SOUTH_USER)
        pack = publish(4, 1, payload=b"x" * 16_000)
        with flat(24 * MIB):
            most = 64 * MIB
            assert loud.fill(pack, most) < most
            for _ in range(20):
                assert quiet.ping()
        assert whole.listener.counters()["packs"] <= 301
        assert whole.listener.counters()["rate_pauses"] >= 1
