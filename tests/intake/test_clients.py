"""Clients that others wrote, against listener, collector and store: paho-mqtt 2, mosquitto_pub and _sub.

What is told to them of a refusal, and of a publication that is stored, is tested with the running service.
"""

import queue
import shutil
import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from sqlalchemy import Engine

from server.database import open_engine, session_of
from server.readings.sessions import put_downlink
from server.schema import upgrade
from tests.intake.raw import GONE, NORTH, PASSWORD, USER
from tests.intake.whole import Whole, enrol_users, taking_in
from tests.intake.yard import MADE, north_pack, rows, until
from tests.journeys.needs import require

BOTH = pytest.mark.parametrize("version", [4, 5], ids=["3", "5"])
WITHIN_S = 5.0
CONFIG, READINGS, STATUS = NORTH + "config", NORTH + "readings", NORTH + "status"


@pytest.fixture
def whole(tmp_path: Path) -> Iterator[Whole]:
    """The intake over a database of one kind."""
    upgrade(url := f"sqlite:///{tmp_path / 'yard.db'}")
    engine = open_engine(url)
    enrol_users(engine)
    with taking_in(engine) as whole:
        yield whole
    engine.dispose()


def stored(engine: Engine) -> int:
    return int(rows(engine, "SELECT count(*) FROM reading")[0][0])


class Paho:
    """A paho client that keeps what it is told."""

    def __init__(
        self, version: int, *, user: str = USER, client_id: str = "north", kept: bool = False
    ) -> None:
        self.told: queue.Queue[paho.MQTTMessage] = queue.Queue()
        self.ends: queue.Queue[str] = queue.Queue()
        self.published: queue.Queue[int] = queue.Queue()
        self.present = False
        self._ready = threading.Event()
        self.client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id,
            protocol=MQTTProtocolVersion(version),
            clean_session=None if version == 5 else not kept,
            reconnect_on_failure=False,
        )
        self._asked: dict[str, Any] = {"clean_start": not kept} if version == 5 else {}
        if version == 5 and kept:
            self._asked["properties"] = properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = 600
        self.client.username_pw_set(user, PASSWORD.decode())
        self.client.on_message = lambda _c, _d, message: self.told.put(message)
        self.client.on_disconnect = lambda _c, _d, _f, reason, _p: self.ends.put(str(reason))
        self.client.on_publish = lambda _c, _d, mid, _r, _p: self.published.put(mid)
        self.client.on_connect = self._on_connect

    def _on_connect(self, _client: Any, _data: Any, flags: Any, reason: Any, _properties: Any) -> None:
        assert not reason.is_failure, reason
        self.present = flags.session_present
        self._ready.set()

    @contextmanager
    def connected(self, whole: Whole) -> Iterator["Paho"]:
        """Connected while the block runs."""
        self._ready.clear()
        self.client.connect("127.0.0.1", whole.port, **self._asked)
        self.client.loop_start()
        try:
            assert self._ready.wait(WITHIN_S)
            yield self
        finally:
            self.client.disconnect()
            self.client.loop_stop()


@BOTH
@pytest.mark.parametrize("qos", [0, 1])
def test_paho_publishes(whole: Whole, version: int, qos: int) -> None:
    with Paho(version).connected(whole) as node:
        info = node.client.publish(READINGS, north_pack(1), qos=qos)
        assert node.published.get(timeout=WITHIN_S) == info.mid
        until(lambda: stored(whole.engine) == 2)


@BOTH
def test_paho_with_qos_2_is_told_or_closed(whole: Whole, version: int) -> None:
    with Paho(version).connected(whole) as node:
        node.client.publish(READINGS, north_pack(1), qos=2)
        said = node.ends.get(timeout=WITHIN_S)
    assert ("QoS not supported" in said) == (version == 5), said
    assert stored(whole.engine) == 0


@BOTH
def test_paho_finds_its_config_retained(whole: Whole, version: int) -> None:
    with session_of(whole.engine) as session:
        put_downlink(session, CONFIG, b'{"rev":1}', rev=1, now=MADE)
    with Paho(version).connected(whole) as node:
        node.client.subscribe(CONFIG, qos=1)
        message = node.told.get(timeout=WITHIN_S)
    assert (message.topic, message.payload, message.retain, message.qos) == (CONFIG, b'{"rev":1}', True, 1)


@BOTH
def test_the_will_of_a_paho_that_is_cut(whole: Whole, version: int) -> None:
    watcher, node = Paho(version, user="watcher", client_id="w"), Paho(version)
    node.client.will_set(STATUS, GONE, qos=1, retain=True)
    with watcher.connected(whole), node.connected(whole):
        watcher.client.subscribe("hangtrue/v1/#")
        until(lambda: whole.listener.counters()["connections"] == 2)
        plug = node.client.socket()
        assert isinstance(plug, socket.socket)
        node.client.publish(READINGS, north_pack(1), qos=1)
        assert watcher.told.get(timeout=WITHIN_S).topic == READINGS
        plug.shutdown(socket.SHUT_RDWR)
        message = watcher.told.get(timeout=WITHIN_S)
    assert (message.topic, message.payload) == (STATUS, GONE)
    assert rows(whole.engine, "SELECT status FROM node WHERE name = 'north'") == [('{"st": "gone"}',)]


@BOTH
def test_paho_takes_its_session_up_again(whole: Whole, version: int) -> None:
    node = Paho(version, kept=True)
    with node.connected(whole):
        assert not node.present
        node.client.subscribe(NORTH + "ack", qos=1)
        node.client.publish(READINGS, north_pack(1), qos=1)
        assert b'"upto":1' in node.told.get(timeout=WITHIN_S).payload
    with Paho(version, client_id="another").connected(whole) as other:
        until(lambda: whole.listener.counters()["connections"] == 1)
        other.client.publish(READINGS, north_pack(2), qos=1)
        other.published.get(timeout=WITHIN_S)
        until(lambda: b'"upto":2' in bytes(rows(whole.engine, "SELECT payload FROM downlink")[0][0]))
    with Paho(version, kept=True).connected(whole) as again:
        assert again.present
        message = again.told.get(timeout=WITHIN_S)
    assert (b'"upto":2' in message.payload, message.retain) == (True, False)


def mosquitto(
    whole: Whole, program: str, version: int, *options: str, user: str = USER
) -> subprocess.Popen[str]:
    """A client of mosquitto's, started."""
    found = require(shutil.which(program), f"{program}: apt-get install mosquitto-clients")
    where = ["-h", "127.0.0.1", "-p", str(whole.port), "-u", user, "-P", PASSWORD.decode()]
    return subprocess.Popen(
        [found, *where, "-V", "5" if version == 5 else "311", *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


@BOTH
@pytest.mark.parametrize("qos", [0, 1, 2])
def test_mosquitto_pub(whole: Whole, version: int, qos: int) -> None:
    """QoS 2: in version 5 it reads what is taken and says to try a lower one; 3.1.1 is closed, and fails."""
    what = ["-q", str(qos), "-t", READINGS, "-m", north_pack(1).decode()]
    with mosquitto(whole, "mosquitto_pub", version, *what) as child:
        try:
            said, _ = child.communicate(timeout=WITHIN_S if qos < 2 or version == 5 else 2.0)
        except subprocess.TimeoutExpired:
            child.kill()  # it tries again for ever
            said, _ = child.communicate()
    if qos < 2:
        assert child.returncode == 0, said
        until(lambda: stored(whole.engine) == 2)
    else:
        assert child.returncode != 0 or "lower QoS" in said, said
        assert stored(whole.engine) == 0


@BOTH
@pytest.mark.parametrize("qos", ["0", "1", "2"])
def test_mosquitto_sub_finds_its_config_retained(whole: Whole, version: int, qos: str) -> None:
    """A wish of QoS 2 is granted 1."""
    with session_of(whole.engine) as session:
        put_downlink(session, CONFIG, b"rev-1", rev=1, now=MADE)
    what = ["-t", CONFIG, "-q", qos, "-C", "1", "-W", "5", "-F", "%r %q %t %p"]
    with mosquitto(whole, "mosquitto_sub", version, *what) as child:
        said, _ = child.communicate(timeout=WITHIN_S + 2)
    assert child.returncode == 0, said
    assert said.splitlines()[-1] == f"1 {min(int(qos), 1)} {CONFIG} rev-1"


@BOTH
def test_mosquitto_sub_watches(whole: Whole, version: int) -> None:
    what = ["-t", "hangtrue/v1/#", "-C", "2", "-W", "8", "-F", "%r %q %t %p"]
    with mosquitto(whole, "mosquitto_sub", version, *what, user="watcher") as child:
        until(lambda: whole.listener.counters()["connections"] == 1)
        with Paho(version).connected(whole) as node:
            node.client.will_set(STATUS, GONE)
            sent = 0
            while child.poll() is None and sent < 400:  # until its SUBSCRIBE has come, nothing is seen
                sent += 1
                node.client.publish(READINGS, north_pack(sent), qos=sent % 2)
                node.published.get(timeout=WITHIN_S)
        said, _ = child.communicate(timeout=WITHIN_S)
    assert child.returncode == 0, said
    lines = said.splitlines()
    assert len(lines) == 2
    assert all(line.startswith(f"0 0 {READINGS} [") for line in lines)


@BOTH
def test_the_will_of_a_mosquitto_sub_that_is_killed(whole: Whole, version: int) -> None:
    with session_of(whole.engine) as session:
        put_downlink(session, CONFIG, b"rev-1", rev=1, now=MADE)
    will = ["--will-topic", STATUS, "--will-payload", GONE.decode(), "--will-qos", "1", "--will-retain"]
    with mosquitto(whole, "mosquitto_sub", version, "-t", CONFIG, *will) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "rev-1\n"
        child.kill()
    until(lambda: rows(whole.engine, "SELECT status FROM node WHERE name = 'north'") == [('{"st": "gone"}',)])
