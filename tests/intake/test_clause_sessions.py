"""Down-links, sessions, wills, what is retained, and who watches, clause by clause; bytes by hand.

`3:` is MQTT 3.1.1 (OASIS 2014-10-29), `5:` is MQTT 5.0 (OASIS 2019-03-07).
"""

import time
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, update

from server.database import open_engine, session_of
from server.doors.tables import Node
from server.intake.limits import Limits
from server.schema import upgrade
from tests.fakes.intake import Yard, listening, wait_for
from tests.intake.raw import (
    GONE,
    NORTH,
    PASSWORD,
    SOUTH,
    Heard,
    Socket,
    frame,
    puback,
    publish,
    subscribe,
    u32,
)
from tests.intake.whole import enrol_users, taking_in
from tests.intake.yard import north_pack, rows, until

BOTH = pytest.mark.parametrize("version", [4, 5], ids=["3", "5"])
KEPT: dict[int, dict[str, Any]] = {
    4: {"clean": False},
    5: {"clean": False, "properties": u32(0x11, 604_800)},
}
STATUS = (NORTH + "status", GONE)
BYE = b"\xe0\x00"
RETAIN, DUP, QOS_1 = 0x01, 0x08, 0x02


def all_gone(yard: Yard) -> None:
    wait_for(lambda: yard.count("connections") == 0, "all to be gone")


# --- down-links


@BOTH
def test_a_new_subscription_finds_what_is_retained(version: int) -> None:
    """3:[MQTT-3.3.1-6], 3:[MQTT-3.3.1-8], 5:[MQTT-3.3.1-8]: with RETAIN 1; later 0 (3: -9; 5: -12)."""
    with listening() as yard, Socket(yard.port, version) as node:
        yard.directory.put(NORTH + "config", b"one", 1)
        node.enter()
        node.take("config", "ack", "secret")
        heard = node.hear()
        assert (heard.first, heard.message(version)[:2]) == (
            0x30 | QOS_1 | RETAIN,
            (NORTH + "config", b"one"),
        )
        node.send(puback(heard.message(version)[2]))
        yard.listener.send([yard.directory.put(NORTH + "config", b"two", 2)])
        heard = node.hear()
        assert (heard.first, heard.message(version)[:2]) == (0x30 | QOS_1, (NORTH + "config", b"two"))


@BOTH
def test_a_subscription_that_is_made_again(version: int) -> None:
    """3:[MQTT-3.8.4-3], 5:[MQTT-3.8.4-3]: it replaces the old one, and what is retained comes again."""
    with listening() as yard, Socket(yard.port, version) as node:
        yard.directory.put(NORTH + "config", b"one", 1)
        node.enter()
        node.take("config")
        node.send(puback(node.hear().message(version)[2]))
        node.take("config", qos=0)
        heard = node.hear()
        assert (heard.first, heard.message(version)) == (0x30 | RETAIN, (NORTH + "config", b"one", 0))
        assert node.is_quiet()


@BOTH
def test_what_was_not_acknowledged_comes_again(version: int) -> None:
    """3:[MQTT-4.4.0-1], 5:[MQTT-4.4.0-1]: DUP 1 and the same identifier; here in its newest revision only."""
    with listening() as yard:
        with Socket(yard.port, version) as node:
            node.enter(**KEPT[version])
            node.take("ack", "config")
            yard.listener.send([yard.directory.put(NORTH + "ack", b"1", 1)])
            number = node.hear().message(version)[2]
        all_gone(yard)
        yard.directory.put(NORTH + "ack", b"2", 2)
        yard.directory.put(NORTH + "ack", b"3", 3)
        yard.directory.put(NORTH + "config", b"new", 1)
        with Socket(yard.port, version) as node:
            assert node.enter(**KEPT[version]).connack() == (1, 0)
            came = {heard.message(version)[0]: heard for heard in (node.hear(), node.hear())}
            again, first = came[NORTH + "ack"], came[NORTH + "config"]
            assert (again.first, again.message(version)[1:]) == (0x30 | QOS_1 | DUP, (b"3", number))
            assert first.first == 0x30 | QOS_1, "never sent before: 3:[MQTT-3.3.1-1]"
            assert node.is_quiet()
            node.send(puback(number), puback(first.message(version)[2]), BYE)
            assert node.rest() == b""
        with Socket(yard.port, version) as node:
            node.enter(**KEPT[version])
            assert node.is_quiet(), "what was acknowledged comes again"


NO_LOCAL, AS_PUBLISHED, IF_NEW, NEVER = 0x04, 0x08, 0x10, 0x20


@pytest.mark.parametrize(
    ("options", "comes"),
    [(0, [True, True]), (IF_NEW, [True, False]), (NEVER, [False, False])],
    ids=["5:[MQTT-3.3.1-9]", "5:[MQTT-3.3.1-10]", "5:[MQTT-3.3.1-11]"],
)
def test_retain_handling(options: int, comes: list[bool]) -> None:
    with listening() as yard, Socket(yard.port, 5) as node:
        yard.directory.put(NORTH + "ack", b"{}", 1)
        node.enter()
        for is_due in comes:
            node.send(subscribe(5, (NORTH + "ack", options)))
            assert node.hear().identifier() == 9
            if is_due:
                assert node.hear().first == 0x30 | RETAIN
            else:
                assert node.is_quiet()


def test_retain_as_published() -> None:
    """5:[MQTT-3.3.1-13]: down-links are all published with RETAIN; No Local keeps nothing from a reader."""
    with listening() as yard, Socket(yard.port, 5) as node:
        node.enter()
        node.send(subscribe(5, (NORTH + "ack", AS_PUBLISHED | NO_LOCAL), (NORTH + "config", NO_LOCAL)))
        node.hear()
        assert node.is_quiet()
        yard.listener.send([yard.directory.put(NORTH + "ack", b"{}", 1)])
        assert node.hear().first == 0x30 | RETAIN
        yard.listener.send([yard.directory.put(NORTH + "config", b"{}", 1)])
        assert node.hear().first == 0x30


# --- sessions


@BOTH
def test_session_present(version: int) -> None:
    """3:[MQTT-3.2.2-1, -2, -3], 3:[MQTT-3.1.2-4, -6], 5:[MQTT-3.2.2-2, -3], 5:[MQTT-3.1.2-4, -5, -6]."""
    with listening() as yard:
        for changes, present in (
            (KEPT[version], 0),
            (KEPT[version], 1),
            ({}, 0),  # a clean start throws it away
            (KEPT[version], 0),
            (KEPT[version], 1),
        ):
            with Socket(yard.port, version) as node:
                assert node.enter(**changes).connack() == (present, 0)
                node.send(BYE)
                assert node.rest() == b""


@BOTH
def test_a_session_keeps_its_filters(version: int) -> None:
    """3:[MQTT-3.1.2-5], 5: 4.1: what is sent meanwhile comes with the client, without a new SUBSCRIBE."""
    with listening() as yard:
        with Socket(yard.port, version) as node:
            node.enter(**KEPT[version])
            node.take("ack")
            node.send(BYE)
            assert node.rest() == b""
        yard.directory.put(NORTH + "ack", b"later", 1)
        with Socket(yard.port, version) as node:
            node.enter(**KEPT[version])
            assert node.hear().message(version)[:2] == (NORTH + "ack", b"later")


def test_how_long_sessions_are_kept() -> None:
    """5: 3.1.2.11.2 as asked, up to 30 days; 3: 4.1 a server may end them, here after 30 days."""
    day_ms, now_ms = 86_400_000, 1_767_268_800_000
    assert Limits().session_s == 30 * 86400
    with listening() as yard:
        cases: list[tuple[int, dict[str, Any], int]] = [
            (4, KEPT[4], 30),
            (5, {"clean": False, "properties": u32(0x11, 86400)}, 1),
            (5, {"clean": False, "properties": u32(0x11, 0xFFFFFFFF)}, 30),
        ]
        for number, (version, changes, days) in enumerate(cases):
            with Socket(yard.port, version) as node:
                node.enter(client_id=f"c{number}", **changes)
                kept = yard.directory.sessions
                wait_for(partial(kept.get, f"c{number}"), "the session")
                assert kept[f"c{number}"].until_ms == now_ms + days * day_ms


def test_a_5_session_may_end_with_its_connection() -> None:
    """5:[MQTT-3.14.2-2] reversed: an expiry of 0 in DISCONNECT forgets what was to be kept."""
    with listening() as yard:
        with Socket(yard.port, 5) as node:
            node.enter(**KEPT[5])
            node.send(frame(0xE0, b"\x00", b"\x05" + u32(0x11, 0)))
            assert node.rest() == b""
        with Socket(yard.port, 5) as node:
            assert node.enter(**KEPT[5]).connack() == (0, 0)


# --- wills


ENDINGS: list[tuple[str, int, bytes | None, int]] = [
    ("3:[MQTT-3.1.2-8] cut", 4, None, 1),
    ("5:[MQTT-3.1.2-8] cut", 5, None, 1),
    ("3:[MQTT-3.1.2-8] fault", 4, b"\x00\x00", 1),
    ("5:[MQTT-3.1.2-8] fault", 5, b"\x00\x00", 1),
    ("3:[MQTT-3.14.4-3] farewell", 4, BYE, 0),
    ("5:[MQTT-3.14.4-3] farewell", 5, BYE, 0),
    ("5:[MQTT-3.14.4-3] farewell in words", 5, b"\xe0\x02\x00\x00", 0),
    ("5: 3.14.2.1 farewell 0x04", 5, b"\xe0\x01\x04", 1),
]


@pytest.mark.parametrize("row", ENDINGS, ids=lambda row: row[0])
def test_a_will(row: tuple[str, int, bytes | None, int]) -> None:
    _, version, sent, wills = row
    with listening() as yard:
        with Socket(yard.port, version) as node:
            node.enter(will=STATUS)
            if sent is not None:
                node.send(sent)
                node.rest()
        all_gone(yard)
        offers = [(one.topic, one.payload, one.retain, one.token) for one in yard.queue.offers]
        assert offers == [(*STATUS, True, None)] * wills


def test_a_will_waits_for_its_delay() -> None:
    """5:[MQTT-3.1.3-9]: dropped when the session goes on; out after the delay, or with the session's end."""
    assert Limits().will_delay_s == 300
    late: dict[str, Any] = {"will": STATUS, "will_properties": u32(0x18, 1), **KEPT[5]}
    with listening() as yard:
        with Socket(yard.port, 5) as node:
            node.enter(**late)
        all_gone(yard)
        with Socket(yard.port, 5) as node:
            node.enter(**{**late, "will": None})
            assert node.is_quiet(1.2)
            assert yard.queue.offers == []
            node.send(BYE)
            node.rest()
        with Socket(yard.port, 5) as node:
            node.enter(**late)
        all_gone(yard)
        began_s = time.monotonic()
        assert yard.queue.wait(1)[0].payload == GONE
        assert time.monotonic() - began_s > 0.6


def test_a_will_waits_no_longer_than_our_bound_or_its_session() -> None:
    for limits, expiry_s in (({"will_delay_s": 0}, 600), ({}, 0)):
        with listening(None, **limits) as yard:
            with Socket(yard.port, 5) as node:
                will = {"will": STATUS, "will_properties": u32(0x18, 200)}
                node.enter(properties=u32(0x11, expiry_s), **will)
            assert yard.queue.wait(1)[0].payload == GONE


# --- over a real database: what is retained of nodes, and who watches


@pytest.fixture
def engine(tmp_path: Path) -> Any:
    """A database of one kind: these cases are about the listener."""
    upgrade(url := f"sqlite:///{tmp_path / 'yard.db'}")
    engine = open_engine(url)
    enrol_users(engine)
    yield engine
    engine.dispose()


UP = (
    b'{"st":"up","t":1767268805000,"jrn":"7c1e90ab","head":1,"tail":1,"pend":0,"held":0,"stuck":0,"lost":0,"cfg":0,'
    b'"gen":1,"fw":"1","proto":1,"bat_mv":null,"rssi":null,"boot":1,"why":"power","clk":null,"next_s":0,"err":[]}'
)


def state_of(engine: Engine) -> Any:
    """What is kept of north's state."""
    return rows(engine, "SELECT json_extract(status, '$.st') FROM node WHERE name = 'north'")[0][0]


@BOTH
def test_the_state_alone_is_retained(engine: Engine, version: int) -> None:
    """3:[MQTT-3.3.1-5, -7], 5:[MQTT-3.3.1-5]: the last value; an empty one removes it (3: -10, 5: -6)."""
    with taking_in(engine) as whole, Socket(whole.port, version) as node:
        node.enter()
        node.send(publish(version, 1, leaf="status", payload=UP, flags=RETAIN))
        assert node.hear().identifier() == 1
        node.send(publish(version, 2, payload=north_pack(1), flags=RETAIN))
        assert node.hear().identifier() == 2
        with Socket(whole.port, version) as watcher:
            watcher.enter(client_id="w", user="watcher")
            watcher.send(subscribe(version, ("hangtrue/v1/#", 1)))
            watcher.hear()
            found = watcher.hear()
            assert found.first == 0x30 | RETAIN
            topic, payload, _ = found.message(version)
            assert (topic, b'"up"' in payload) == (NORTH + "status", True)
            assert watcher.is_quiet(), "readings are never retained"
        node.send(publish(version, 3, leaf="status", payload=b"", flags=RETAIN))
        assert node.hear().identifier() == 3
        assert state_of(engine) is None
        with Socket(whole.port, version) as watcher:
            watcher.enter(client_id="w", user="watcher")
            watcher.send(subscribe(version, ("hangtrue/v1/#", 1)))
            watcher.hear()
            assert watcher.is_quiet()


def test_a_watcher_sees_all_that_is_committed(engine: Engine) -> None:
    """At QoS 0: packs of QoS 0 and 1, states, wills; no refused pack, no down-link. It publishes nothing."""
    with taking_in(engine) as whole, Socket(whole.port, 5) as watcher, Socket(whole.port) as node:
        watcher.enter(client_id="w", user="watcher")
        watcher.send(subscribe(5, ("hangtrue/v1/#", AS_PUBLISHED | 1), (SOUTH + "#", 0), ("#", 0)))
        assert watcher.hear().body[3:] == bytes((0, 0, 0x87))
        node.enter(will=STATUS)
        node.send(publish(4, payload=north_pack(1)), publish(4, 2, payload=north_pack(2)))
        node.send(publish(4, 3, payload=b"{"), publish(4, 4, leaf="status", payload=UP, flags=RETAIN))
        assert [node.hear().identifier() for _ in range(3)] == [2, 3, 4]
        node.cut()
        seen = [watcher.hear() for _ in range(4)]
        assert [one.first for one in seen] == [0x30, 0x30, 0x31, 0x31], "RETAIN as it was published"
        payloads = [one.message(5)[1] for one in seen]
        assert payloads == [north_pack(1), north_pack(2), UP, GONE]
        watcher.send(publish(5, 1, leaf="status", payload=GONE))
        assert watcher.hear().body[2] == 0x87
        assert watcher.ping()


def test_a_watcher_that_reads_too_slowly_misses_some_and_stays() -> None:
    with (
        listening(unsent_bytes=64_000, rate_per_minute=0) as yard,
        Socket(yard.port) as watcher,
        Socket(yard.port) as node,
    ):
        watcher.enter(client_id="w", user="watcher")
        watcher.send(subscribe(4, ("hangtrue/v1/#", 0)))
        watcher.hear()
        node.enter()
        sent = 0
        while sent < 1200:  # 18 MB: more than the kernels' buffers between them
            node.send(*[publish(4, number, payload=b"x" * 15_000) for number in range(1, 51)])
            sent += 50
            yard.queue.wait(sent)
            yard.listener.taken(yard.queue.taken(*[None] * 50))
            assert [node.hear().identifier() for _ in range(50)] == list(range(1, 51))
        watcher.send(b"\xc0\x00")
        seen = 0
        while (heard := watcher.hear()) != Heard(0xD0, b""):
            assert len(heard.message(4)[1]) == 15_000
            seen += 1
        assert 0 < seen < sent
        assert yard.count("unread_closes") == 0


def test_after_a_crash_nobody_is_known_to_be_up(engine: Engine) -> None:
    """Wills are kept in memory: who was up when nobody listened any more is unknown since then."""
    with session_of(engine) as session:
        session.execute(update(Node).where(Node.name == "north").values(status=UP.decode(), status_ms=1))
        session.execute(update(Node).where(Node.name == "south").values(status='{"st": "asleep"}'))
    with taking_in(engine) as whole, Socket(whole.port) as node:
        until(lambda: state_of(engine) == "unknown")
        assert rows(engine, "SELECT status FROM node WHERE name = 'south'") == [('{"st": "asleep"}',)]
        node.enter(password=PASSWORD)
        node.send(publish(4, 1, leaf="status", payload=UP))
        assert node.hear().identifier() == 1
        assert state_of(engine) == "up"
