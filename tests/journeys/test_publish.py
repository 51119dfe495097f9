"""Any MQTT client publishes to the running service: what is good is read back, what is not is told why."""

import json
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from tests.journeys.needs import require
from tests.journeys.yard import SITE, Served, Yard, enrol_plain, make_yard, metric, serving, until

SOON_S = 2.0  # a reading is on the page so soon
ANSWER_S = 10.0
PUBLISHER = shutil.which("mosquitto_pub")
UNKNOWN, PERCENT = "unknown-channel", "unit-mismatch"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a client was told: whether it was let in, and of its publication the code and the words."""

    let_in: bool
    taken: bool
    said: str = ""
    closed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Letter:
    """A publication: who sends what where."""

    port: int
    user: str
    password: str
    topic: str
    payload: str


@dataclass(slots=True)
class Heard:
    """What a paho client was told so far."""

    connack: threading.Event = field(default_factory=threading.Event)
    done: threading.Event = field(default_factory=threading.Event)
    is_in: bool = False
    said: str = ""
    taken: bool = False
    closed: bool = False


def by_paho(letter: Letter, version: int) -> Answer:
    """Publish with paho."""
    five = version == 5
    protocol = MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=protocol, reconnect_on_failure=False)
    client.username_pw_set(letter.user, letter.password)
    heard = Heard()

    def on_connect(_c: mqtt.Client, _d: Any, _f: Any, reason: ReasonCode, _p: Properties | None) -> None:
        heard.is_in, heard.said = not reason.is_failure, f"{reason}"
        heard.connack.set()

    def on_publish(
        _c: mqtt.Client, _d: Any, _mid: int, reason: ReasonCode, properties: Properties | None
    ) -> None:
        heard.taken = not reason.is_failure
        heard.said = f"{reason}: {getattr(properties, 'ReasonString', '')}"
        heard.done.set()

    def on_disconnect(_c: mqtt.Client, _d: Any, _f: Any, _r: ReasonCode, _p: Properties | None) -> None:
        heard.closed = not heard.done.is_set()
        heard.connack.set()
        heard.done.set()

    client.on_connect, client.on_publish, client.on_disconnect = on_connect, on_publish, on_disconnect
    client.connect("127.0.0.1", letter.port)
    client.loop_start()
    assert heard.connack.wait(ANSWER_S), "no answer to CONNECT"
    if heard.is_in:
        client.publish(letter.topic, letter.payload, qos=1)
        assert heard.done.wait(ANSWER_S), "no answer to PUBLISH"
    client.disconnect()
    client.loop_stop()
    return Answer(let_in=heard.is_in, taken=heard.taken, said=heard.said, closed=heard.closed and heard.is_in)


def by_mosquitto(letter: Letter, version: int) -> Answer:
    """Publish with mosquitto_pub; its exit code and its words are all that it tells."""
    command = require(PUBLISHER, "mosquitto_pub: apt-get install mosquitto-clients")
    options = ["-h", "127.0.0.1", "-p", str(letter.port), "-u", letter.user, "-P", letter.password]
    what = ["-q", "1", "-t", letter.topic, "-m", letter.payload, "-V", "5" if version == 5 else "311"]
    with subprocess.Popen(
        [command, *options, *what], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as child:
        try:
            said, _ = child.communicate(timeout=ANSWER_S)
        except subprocess.TimeoutExpired:
            child.kill()
            said, _ = child.communicate()
            return Answer(let_in=True, taken=False, said=said, closed=True)
    refused_entry = "Connection error" in said
    refused = refused_entry or child.returncode != 0 or "failed" in said
    return Answer(let_in=not refused_entry, taken=not refused, said=said, closed=child.returncode == 7)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shed:
    """The service with a plain device `shed` and its neighbour `loft`, both enrolled while it ran."""

    yard: Yard
    served: Served
    user: str
    password: str

    def letter(self, payload: object, **changes: Any) -> Letter:
        """A publication of the shed with what is changed."""
        usual: dict[str, Any] = {
            "port": self.served.intake,
            "user": self.user,
            "password": self.password,
            "topic": f"hangtrue/v1/{SITE}/shed/readings",
            "payload": json.dumps(payload),
        }
        return Letter(**{**usual, **changes})

    def log_lines(self, *words: str) -> int:
        """How many lines of the log have all these words."""
        lines = self.yard.log.read_text("utf-8").splitlines()
        return sum(all(word in line for word in words) for line in lines)


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shed]:
    """The service, and two plain devices that it was not started with."""
    yard = make_yard(tmp_path_factory.mktemp("publish"))
    with serving(yard) as served:
        user, password = enrol_plain(yard, "shed", air_rh="%RH", air_temp="Cel", gap="/")
        enrol_plain(yard, "loft", air_rh="%RH")
        yield Shed(yard=yard, served=served, user=user, password=password)


@dataclass(frozen=True, slots=True, kw_only=True)
class Client:
    """A client of one version."""

    send: Callable[[Letter, int], Answer]
    version: int

    @property
    def is_five(self) -> bool:
        """Whether it speaks version 5, which has words for a refusal."""
        return self.version == 5

    def publish(self, letter: Letter) -> Answer:
        """Publish once, at QoS 1."""
        return self.send(letter, self.version)


CLIENTS = {
    "paho-3": Client(send=by_paho, version=3),
    "paho-5": Client(send=by_paho, version=5),
    "mosquitto-3": Client(send=by_mosquitto, version=3),
    "mosquitto-5": Client(send=by_mosquitto, version=5),
}


@pytest.fixture(params=CLIENTS)
def client(request: pytest.FixtureRequest) -> Client:
    """Each client in turn."""
    return CLIENTS[request.param]


def pack(channel: str, value: float, unit: str, at_s: float) -> list[dict[str, object]]:
    """A plain SenML pack of one reading, as any device writes it."""
    return [{"bn": f"{SITE}/shed/", "bt": round(at_s, 3), "n": channel, "u": unit, "v": value}]


def wall_s() -> float:
    """The time, for a device of our own."""
    return time.time_ns() / 1e9


def test_a_reading_is_there_within_two_seconds(shed: Shed, client: Client) -> None:
    at_s = wall_s()
    at_ms, value = round(round(at_s, 3) * 1000), 40 + at_s % 20
    answer = client.publish(shed.letter(pack("air-rh", value, "%RH", at_s)))
    assert (answer.let_in, answer.taken, answer.closed) == (True, True, False), answer.said
    asked = {"channel": f"{SITE}/shed/air-rh", "from": at_ms, "to": at_ms + 1}

    def came() -> bool:
        told = shed.served.facts("/api/v1/readings", **asked)
        return bool(told["raw"] == [value] and told["t_ms"] == [at_ms] and told["unit"] == "%RH")

    until(came, "the reading in the API", within_s=SOON_S)


def test_a_wrong_password_is_told(shed: Shed, client: Client) -> None:
    answer = client.publish(shed.letter(pack("air-rh", 50, "%RH", wall_s()), password=shed.password[::-1]))
    assert (answer.let_in, answer.taken) == (False, False)
    assert "bad user name or password" in answer.said.lower() or "not authorized" in answer.said.lower()
    until(lambda: shed.log_lines(shed.user, "refused", "0x86"), "a line in the log", within_s=SOON_S)


def test_another_s_topic_is_told(shed: Shed, client: Client) -> None:
    before = shed.log_lines("may not publish", f"{SITE}/loft")
    topic = f"hangtrue/v1/{SITE}/loft/readings"
    answer = client.publish(shed.letter(pack("air-rh", 50, "%RH", wall_s()), topic=topic))
    assert (answer.let_in, answer.taken, answer.closed) == (True, False, not client.is_five), answer
    if client.is_five:
        assert "not authorized" in answer.said.lower()
    assert shed.log_lines("may not publish", f"{SITE}/loft") > before
    assert shed.served.facts("/api/v1/readings", channel=f"{SITE}/loft/air-rh")["raw"] == []


@pytest.mark.parametrize(
    ("channel", "unit", "code"),
    [("draught", "m", UNKNOWN), ("gap", "%", PERCENT)],
    ids=["unknown-channel", "per-cent"],
)
def test_a_pack_that_cannot_be_stored_is_told(
    shed: Shed,
    client: Client,
    channel: str,
    unit: str,
    code: str,
) -> None:
    lines, counted = (
        shed.log_lines("was refused", code),
        metric(shed.served, "packs_refused_total", code=code),
    )
    answer = client.publish(shed.letter(pack(channel, 41, unit, wall_s())))
    # version 3.1.1 has no word for it: the pack is kept back, and acknowledged so that it does not come again
    assert (answer.let_in, answer.taken, answer.closed) == (True, not client.is_five, False), answer
    if client.is_five:
        assert "implementation specific error" in answer.said.lower(), answer.said
        assert code in answer.said
    until(lambda: shed.log_lines("was refused", code) == lines + 1, "a line in the log", within_s=SOON_S)
    until(
        lambda: metric(shed.served, "packs_refused_total", code=code) == counted + 1,
        f"{code} in the metrics",
        within_s=5.0,
    )
    assert (code,) in shed.yard.rows("SELECT DISTINCT code FROM quarantine")
    stored = "SELECT DISTINCT c.name FROM reading r JOIN channel c ON c.id = r.channel_id"
    assert (f"{SITE}/shed/{channel}",) not in shed.yard.rows(stored)
