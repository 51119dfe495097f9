"""A real mosquitto in a private folder on a free port, and a wire to it that can be cut and watched."""

import os
import shutil
import signal
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from server.auth.broker_passwords import password_line
from server.intake.broker_files import NodeUser, Place, Tls, access_list, configuration
from server.intake.codec import find_frame, read
from server.intake.packets import Packet, Puback, Publish
from tests.fakes.intake import DEADLINE_S, wait_for
from tests.journeys.needs import require

PASSWORD = "4C7Q9MZK2T0VXA8B"  # noqa: S105 - invented
NORTH_USER = "saltmarsh-yard.north.1"
PLACES = ("/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto")


@dataclass
class Mosquitto:
    """A broker of ours: its folder, its port, and its process while it runs."""

    folder: Path
    port: int
    child: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, and wait until it answers."""
        command = shutil.which("mosquitto") or next((one for one in PLACES if Path(one).exists()), None)
        program = require(command, "mosquitto: apt-get install mosquitto")
        with (self.folder / "log").open("ab") as log:
            self.child = subprocess.Popen(
                [program, "-c", self.folder / "mosquitto.conf"], stdout=log, stderr=log
            )
        wait_for(self._answers, "mosquitto")

    def end(self, number: int = signal.SIGTERM) -> None:
        """End it, by its process number."""
        if self.child is not None:
            with suppress(ProcessLookupError):
                os.kill(self.child.pid, number)
            self.child.wait(DEADLINE_S)
            self.child = None

    def reload(self) -> None:
        """Let it read its files again."""
        assert self.child is not None
        os.kill(self.child.pid, signal.SIGHUP)

    def _answers(self) -> bool:
        assert self.child is not None
        assert self.child.poll() is None, (self.folder / "log").read_text("utf-8")
        try:
            socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
        except OSError:
            return False
        return True


def free_port() -> int:
    """A port that nobody uses now."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@contextmanager
def mosquitto(folder: Path, *, tls: Tls | None = None) -> Iterator[Mosquitto]:
    """A broker with our own configuration, north's node and the collector; ended with the block."""
    folder.mkdir(parents=True, exist_ok=True)
    (data := folder / "data").mkdir(exist_ok=True)
    passwords, access = folder / "passwords", folder / "access"
    people = (NORTH_USER, "collector")
    passwords.write_text("".join(password_line(user, PASSWORD) + "\n" for user in people), "utf-8")
    north = NodeUser(user=NORTH_USER, site="saltmarsh-yard", node="north")
    access.write_text(access_list([north], collector="collector"), "utf-8")
    for path in (passwords, access):
        path.chmod(0o600)
    broker = Mosquitto(folder, free_port())
    place = Place(
        port=broker.port, address="127.0.0.1", passwords=passwords, access=access, data=data, tls=tls
    )
    # a test's broker is ours alone: as root it would become another user, who may not read its folder
    own = f"{configuration(place)}user root\n" if os.geteuid() == 0 else configuration(place)
    (folder / "mosquitto.conf").write_text(own, "utf-8")
    broker.start()
    try:
        yield broker
    finally:
        broker.end()


@contextmanager
def publishing(
    port: int, *, user: str = NORTH_USER, client_id: str = "north", password: str = PASSWORD
) -> Iterator[paho.Client]:
    """A connected client of that user; it waits for nobody."""
    ready = threading.Event()
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id, protocol=MQTTProtocolVersion.MQTTv5)
    client.username_pw_set(user, password)
    client.on_connect = lambda *_: ready.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert ready.wait(DEADLINE_S)
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def publish_all(client: paho.Client, topic: str, payloads: Sequence[bytes], *, qos: int = 1) -> None:
    """Publish these, and wait until the broker has taken them."""
    for info in [client.publish(topic, payload, qos=qos) for payload in payloads]:
        info.wait_for_publish(DEADLINE_S)
        assert info.is_published()


@dataclass
class Wire:
    """Stands between a client and a broker: reads what passes, and cuts.

    `delivered` and `acknowledged`: payloads that went to the client, and those whose PUBACK passed back.
    `at_puback` is called before a PUBACK passes; if it gives False the connection is cut instead.
    """

    target: int
    version: int = 5
    at_puback: Callable[[bytes], bool] = lambda _payload: True
    delivered: list[bytes] = field(default_factory=list)
    acknowledged: list[bytes] = field(default_factory=list)
    order: list[str] = field(default_factory=list)
    connections: int = 0
    is_open: bool = True
    _server: socket.socket = field(default_factory=lambda: socket.create_server(("127.0.0.1", 0)))
    _guard: threading.Lock = field(default_factory=threading.Lock)
    _pairs: list[tuple[socket.socket, socket.socket]] = field(default_factory=list)
    _threads: list[threading.Thread] = field(default_factory=list)

    @property
    def port(self) -> int:
        """Where a client connects."""
        return int(self._server.getsockname()[1])

    def run(self) -> None:
        """Accept until the end."""
        while True:
            try:
                ours, _ = self._server.accept()
            except OSError:
                return
            try:
                if self.has_ended():
                    raise OSError
                theirs = socket.create_connection(("127.0.0.1", self.target))
            except OSError:
                ours.close()
                continue
            self.connections += 1
            with self._guard:
                self._pairs.append((ours, theirs))
            packs: dict[int, bytes] = {}
            for one, other, seen in ((theirs, ours, self._down), (ours, theirs, self._up)):
                thread = threading.Thread(target=self._pump, args=(one, other, seen, packs))
                thread.start()
                self._threads.append(thread)
            if self.has_ended():
                self.cut()

    def has_ended(self) -> bool:
        """Whether nobody is let through any more."""
        return not self.is_open

    def cut(self) -> None:
        """Cut every connection, without a farewell."""
        with self._guard:
            pairs, self._pairs = self._pairs, []
        for one in chain.from_iterable(pairs):
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()

    def end(self) -> None:
        """Cut, and accept nobody more."""
        self.is_open = False
        with suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self.cut()
        for thread in self._threads:
            thread.join(DEADLINE_S)

    def _pump(
        self,
        one: socket.socket,
        other: socket.socket,
        seen: Callable[[Packet, dict[int, bytes]], bool],
        packs: dict[int, bytes],
    ) -> None:
        buffer = bytearray()
        with suppress(OSError):
            while data := one.recv(65536):
                buffer += data
                while (frame := find_frame(buffer, 0, 1 << 20)) is not None:
                    first, start, end = frame
                    whole = bytes(buffer[:end])
                    if first >> 4 in (3, 4) and not seen(
                        read(first, buffer, start, end, self.version), packs
                    ):
                        self.cut()
                        return
                    del buffer[:end]
                    other.sendall(whole)
        for each in (one, other):
            with suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)

    def _down(self, packet: Packet, packs: dict[int, bytes]) -> bool:
        if isinstance(packet, Publish) and packet.packet_id:
            packs[packet.packet_id] = packet.payload
            self.delivered.append(packet.payload)
        return True

    def _up(self, packet: Packet, packs: dict[int, bytes]) -> bool:
        if isinstance(packet, Publish):
            self.order.append(packet.topic.rpartition("/")[2])
        if isinstance(packet, Puback) and packet.packet_id in packs:
            payload = packs[packet.packet_id]
            if not self.at_puback(payload):
                return False
            self.acknowledged.append(payload)
            self.order.append("puback")
        return True


@contextmanager
def wire_to(port: int, *, version: int = 5) -> Iterator[Wire]:
    """A wire to a broker; cut and gone with the block."""
    wire = Wire(port, version)
    thread = threading.Thread(target=wire.run)
    thread.start()
    try:
        yield wire
    finally:
        wire.end()
        thread.join(DEADLINE_S)
