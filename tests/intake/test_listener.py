"""The listener from outside: start and stop, and the one promise: no PUBACK before the commit."""

import os
import shutil
import socket
import subprocess
import threading
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from server.errors import SettingsError
from server.intake.codec import write
from server.intake.listener import Listener
from server.intake.packets import Connack, Disconnect, Puback, Publish, Will
from tests.fakes.intake import (
    ARRIVAL_MS,
    DEADLINE_S,
    NORTH,
    FakeQueue,
    connect_of,
    listening,
    saltmarsh_yard,
    wait_for,
)
from tests.refusals import refuses

BOTH = pytest.mark.parametrize("version", [4, 5])
PACK = b'[{"n":"gap-lock-top","u":"/","v":0.412305}]'
PASSWORD = "4C7Q9MZK2T0VXA8B"  # noqa: S105 - invented


def publish(packet_id: int, **changes: object) -> Publish:
    return Publish(topic=NORTH + "readings", payload=PACK, qos=1, packet_id=packet_id, **changes)  # type: ignore[arg-type]  # names of Publish


@BOTH
def test_a_pack_is_acknowledged_only_once_it_is_taken(version: int) -> None:
    with listening() as yard, yard.client(version) as node:
        node.connect()
        node.send(publish(7))
        offer = yard.queue.wait(1)[0]
        assert node.is_quiet(), "a PUBACK came before the commit"
        yard.listener.taken(yard.queue.taken(None))
        assert node.receive(Puback) == Puback(packet_id=7)
        assert (offer.topic, offer.payload, offer.arrival_ms) == (NORTH + "readings", PACK, ARRIVAL_MS)


@BOTH
def test_taken_for_one_pack_acknowledges_no_other(version: int) -> None:
    with listening() as yard, yard.client(version) as node:
        node.connect()
        node.send(publish(1), publish(2), publish(3))
        yard.queue.wait(3)
        answers = yard.queue.taken(None, None, None)
        yard.listener.taken([answers[1]])
        assert node.receive(Puback).packet_id == 2
        assert node.is_quiet()
        yard.listener.taken([answers[1], answers[0], answers[2]])
        assert [node.receive(Puback).packet_id for _ in range(2)] == [1, 3], "one commit, one PUBACK"


@BOTH
def test_an_answer_for_a_connection_that_is_gone_acknowledges_nothing_of_the_next(version: int) -> None:
    with listening() as yard:
        with yard.client(version) as node:
            node.connect()
            node.send(publish(1))
            yard.queue.wait(1)
        stale = yard.queue.taken(None)
        with yard.client(version) as node:
            node.connect()
            node.send(publish(1))
            yard.queue.wait(2)
            yard.listener.taken(stale)
            assert node.is_quiet(), "the commit of an old pack acknowledged a new one"


def test_a_refused_pack_is_named_to_5_and_plainly_acknowledged_to_3(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO", "hangtrue.intake")
    with listening() as yard, yard.client(4) as old, yard.client(5) as new:
        for client in (old, new):
            client.connect(client_id=f"v{client.version}")
            client.send(publish(9))
            yard.queue.wait(client.version - 3)
            yard.listener.taken(yard.queue.taken("unit-mismatch"))
        assert old.receive(Puback) == Puback(packet_id=9)
        said = {"reason_string": "unit-mismatch"}
        assert new.receive(Puback) == Puback(packet_id=9, code=0x83, properties=said)
        assert yard.count("refused_packs") == 2
    lines = [line for line in caplog.messages if "unit-mismatch" in line]
    assert len(lines) == 2
    assert all("saltmarsh-yard/north" in line for line in lines)
    assert not [line for line in caplog.messages if "gap-lock-top" in line or PASSWORD in line]


def test_a_reason_is_kept_from_who_asked_for_none() -> None:  # 5:3.1.2-29
    with listening() as yard, yard.client(5) as node:
        node.connect(properties={"request_problem": 0})
        node.send(publish(9))
        yard.queue.wait(1)
        yard.listener.taken(yard.queue.taken("unit-mismatch"))
        assert node.receive(Puback) == Puback(packet_id=9, code=0x83)


@BOTH
def test_an_identifier_that_is_in_flight_already_is_a_second_pack(version: int) -> None:
    with listening() as yard, yard.client(version) as node:
        node.connect()
        node.send(publish(4), publish(4, dup=True))
        yard.queue.wait(2)
        yard.listener.taken(yard.queue.taken(None, None))
        assert [node.receive(Puback).packet_id for _ in range(2)] == [4, 4]


def test_a_stop_says_farewell_and_publishes_no_will() -> None:
    will = Will(topic=NORTH + "status", payload=b'{"st":"gone"}', qos=1, retain=True)
    with listening() as yard, yard.client(5) as new, yard.client(4) as old:
        new.connect(will=will)
        old.connect(will=will, client_id="old")
        old.send(publish(1))
        yard.queue.wait(1)
        yard.listener.hold()
        yard.listener.taken(yard.queue.taken(None))
        assert old.receive(Puback).packet_id == 1
        yard.listener.stop()
        assert new.receive(Disconnect).code == 0x8B
        assert new.is_closed()
        assert old.is_closed()
        assert len(yard.queue.offers) == 1
        yard.listener.taken(yard.queue.taken(None))  # too late, and harmless
    assert "intake" not in {thread.name for thread in threading.enumerate()}


def test_a_will_that_waits_is_published_before_the_collector_stops() -> None:
    will = Will(topic=NORTH + "status", payload=b'{"st":"gone"}', properties={"will_delay_s": 100})
    with listening() as yard:
        with yard.client(5) as node:
            node.connect(will=will, properties={"session_expiry_s": 600})
        wait_for(lambda: yard.count("connections") == 0, "the cut")
        assert yard.queue.offers == []
        yard.listener.hold()
        assert yard.queue.wait(1)[0].payload == will.payload


def listener_on(bind: tuple[str, int] | socket.socket) -> Listener:
    return Listener(queue=FakeQueue(), directory=saltmarsh_yard(), clock_ms=lambda: 0, bind=bind)


def test_a_network_address_without_a_certificate_is_refused() -> None:
    with refuses(SettingsError, asked="0.0.0.0", needed="certificate", came="no certificate"):  # noqa: S104 - refused
        listener_on(("0.0.0.0", 0)).start()  # noqa: S104 - refused


def test_a_port_in_use_is_named() -> None:
    with listening() as yard:
        where = f"127.0.0.1:{yard.port}"
        with refuses(SettingsError, asked=where, needed="a port that is free", came="in use"):
            listener_on(("127.0.0.1", yard.port)).start()


def test_a_port_beyond_all_ports_is_refused() -> None:
    with refuses(SettingsError, asked="127.0.0.1:70000", needed="0 to 65535", came="one beyond"):
        listener_on(("127.0.0.1", 70000)).start()


def test_a_socket_that_is_bound_is_used() -> None:
    bound = socket.create_server(("127.0.0.1", 0))
    listener = listener_on(bound)
    assert listener.counters()["connections"] == 0
    assert listener.start() == bound.getsockname()[1]
    listener.stop()


@BOTH
def test_a_paho_client_publishes_and_hears_only_after_the_commit(version: int) -> None:
    heard = threading.Event()
    client = paho.Client(CallbackAPIVersion.VERSION2, "paho", protocol=MQTTProtocolVersion(version))
    client.username_pw_set("saltmarsh-yard.north.1", PASSWORD)
    client.on_publish = lambda *_: heard.set()
    with listening() as yard:
        client.connect("127.0.0.1", yard.port)
        client.loop_start()
        try:
            client.publish(NORTH + "readings", PACK, qos=1)
            assert yard.queue.wait(1)[0].payload == PACK
            assert not heard.wait(0.15)
            yard.listener.taken(yard.queue.taken(None))
            assert heard.wait(DEADLINE_S)
        finally:
            client.disconnect()
            client.loop_stop()


@pytest.fixture
def mosquitto_pub() -> str:
    if found := shutil.which("mosquitto_pub"):
        return found
    reason = "install mosquitto-clients to run this"
    return pytest.fail(reason) if os.environ.get("CI") == "true" else pytest.skip(reason)


@pytest.mark.parametrize("version", ["311", "5"])
def test_mosquitto_pub_ends_well_only_after_the_commit(
    mosquitto_pub: str, version: str, tmp_path: Path
) -> None:
    with listening() as yard:
        payload = tmp_path / "pack.json"
        payload.write_bytes(PACK)
        where = ["-h", "127.0.0.1", "-p", str(yard.port), "-V", version, "-u", "saltmarsh-yard.north.1"]
        what = ["-P", PASSWORD, "-q", "1", "-t", NORTH + "readings", "-f", str(payload)]
        with subprocess.Popen([mosquitto_pub, *where, *what], stderr=subprocess.PIPE) as process:
            assert yard.queue.wait(1)[0].payload == PACK
            with pytest.raises(subprocess.TimeoutExpired):
                process.wait(0.15)
            yard.listener.taken(yard.queue.taken(None))
            assert process.wait(DEADLINE_S) == 0


def test_bytes_one_at_a_time_are_understood() -> None:
    with listening() as yard, yard.client() as node:
        node.send_slowly(write(connect_of(4), 4))
        assert node.receive(Connack) == Connack()
