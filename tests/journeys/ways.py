"""Both ways in, our listener and a broker, under the same load: what was acknowledged, what is stored."""

import re
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

from sensors.message.statement import read_statement
from server.auth.credentials import issue, node_user
from server.clock import utc_now
from server.database import open_engine, session_of
from server.doors.register import add_channels, enrol_node
from server.schema import upgrade
from tests.fakes.mosquitto import PASSWORD, Mosquitto, Wire, mosquitto, wire_to
from tests.journeys.acknowledged import BASE, CHANNELS, NODE, Found, Sender, compare
from tests.journeys.needs import often
from tests.journeys.yard import SITE, Served, Yard, until

KINDS = ("listener", "broker")
WINDOW = 200
PRESS = 390  # unacknowledged packs of a sender: of more than 400 the listener would read no further
# packs a second that a sender presses with: more would spend a node's budget of a day within a test
PACE = {"listener": often(1000, long=2000), "broker": often(2000, long=4000)}
AHEAD = often(2000, long=4000)  # packs that a broker may hold for the service before the sender waits
SEQ = re.compile(rb'"bseq":(\d+)')


def enrolled(yard: Yard) -> Sender:
    """A sender with the credential of a node that this enrols."""
    upgrade(yard.database)
    engine = open_engine(yard.database)
    with session_of(engine) as session:
        now, user = utc_now(), node_user(SITE, NODE, 1)
        node = enrol_node(session, SITE, NODE, kind="tracked", zone="Europe/London", now=now)
        add_channels(session, node, [(BASE + name, unit) for name, unit, _ in CHANNELS], now)
        password = issue(session, node_id=node.id, user=user, role="node", generation=1, now=now)
    engine.dispose()
    return Sender(user=user, password=password, window=PRESS)


@dataclass(kw_only=True)
class Way:
    """A yard with a node, and how its packs come in. Of the listener `broker` and `wire` are None.

    By a broker `wire` stands between it and the service, so that what the service acknowledged is seen.
    gone: packs that the broker took, and may have lost.
    """

    yard: Yard
    sender: Sender
    broker: Mosquitto | None = None
    wire: Wire | None = None
    gone: int = 0
    _seen: set[int] = field(default_factory=set)
    _read: int = 0

    def port(self, served: Served | None) -> int:
        """Where the node connects to."""
        if self.broker is not None:
            return self.broker.port
        assert served is not None
        return served.intake

    def acknowledged(self) -> set[int]:
        """The packs that the service acknowledged, by what a node, or the broker, had from it."""
        if self.wire is None:
            return self.sender.acknowledged
        while self._read < len(self.wire.acknowledged):
            found = SEQ.search(self.wire.acknowledged[self._read])
            assert found is not None
            self._seen.add(int(found[1]))
            self._read += 1
        return self._seen

    def is_ahead(self) -> bool:
        """Whether the broker holds so much for the service that the sender should wait."""
        return self.wire is not None and self._owed() - self.gone > AHEAD

    def broker_forgot(self) -> None:
        """What the broker holds now does not count as on its way any more."""
        self.gone = self._owed()

    def _owed(self) -> int:
        return self.sender.upcoming - 1 - len(self.acknowledged())

    def found(self) -> Found:
        """What the store holds of what was acknowledged."""
        with self.yard.opened() as engine:
            return compare(engine, acknowledged=self.acknowledged(), sent=range(1, self.sender.upcoming))

    def stated(self) -> set[int]:
        """The instants that the last statement to the node names."""
        rows = self.yard.rows(f"SELECT payload FROM downlink WHERE topic = 'hangtrue/v1/{SITE}/{NODE}/ack'")  # noqa: S608  (constants)
        said = read_statement(bytes(rows[0][0])) if rows else None
        if said is None:
            return set()
        spans = [(1, said.upto), *said.have]
        return {seq for first, last in spans for seq in range(first, last + 1)}

    def send_what_is_not_stated(self, served: Served | None) -> None:
        """As a node does: send again, until the statements name all that was sent."""
        sent = set(range(1, self.sender.upcoming))

        def is_all_stated() -> bool:
            if missing := sent - self.stated():
                with self.sender.connected(self.port(served)) as connection:
                    self.sender.send_again(connection, missing)
            return not missing

        until(is_all_stated, "statements that name all", every_s=1.1, within_s=60)


@contextmanager
def way_in(kind: str, yard: Yard, *, more: str = "") -> Iterator[Way]:
    """A yard whose readings come in that way, its node enrolled; nothing of ours runs yet.

    more: lines of the settings' [intake.broker].
    """
    sender = enrolled(yard)
    if kind == "listener":
        yield Way(yard=yard, sender=sender)
        return
    sender.password = PASSWORD
    with mosquitto(yard.folder / "broker") as broker, wire_to(broker.port) as wire:
        use_broker(yard, wire.port, more)
        yield Way(yard=yard, sender=sender, broker=broker, wire=wire)


def use_broker(yard: Yard, port: int, more: str = "") -> None:
    """Write the settings of a service that takes its readings from a broker."""
    (secret := yard.folder / "collector.password").write_text(PASSWORD, "utf-8")
    secret.chmod(0o600)
    plain = yard.config.read_text("utf-8").replace("[intake]\n", '[intake]\nkind = "broker"\n')
    lines = f'[intake.broker]\nport = {port}\npassword_file = "{secret}"\n{more}\n'
    yard.config.write_text(plain + lines, "utf-8")


@contextmanager
def load(way: Way, port: Callable[[], int]) -> Iterator[None]:
    """Publish while the block runs, and connect again whenever it is cut."""
    stopping = threading.Event()
    first, begun_s = way.sender.upcoming, time.monotonic()
    pace = PACE["listener" if way.broker is None else "broker"]

    def waits() -> bool:
        is_early = way.sender.upcoming - first > pace * (time.monotonic() - begun_s)
        return is_early or way.is_ahead()

    def flow() -> None:
        while not stopping.is_set():
            # nobody there, or cut while it connects
            with suppress(OSError, AssertionError), way.sender.connected(port()) as connection:
                while not stopping.is_set():
                    if not way.sender.step(connection, is_paused=waits()):
                        break
                if stopping.is_set():
                    way.sender.take_what_flies(connection, within_s=5.0)
            stopping.wait(0.05)

    thread = threading.Thread(target=flow, name="load")
    thread.start()
    try:
        yield
    finally:
        stopping.set()
        thread.join()


def until_flowing(way: Way, what: str, *, packs: int = WINDOW, within_s: float = 60.0) -> None:
    """Wait until so many packs more are acknowledged."""
    wanted = len(way.acknowledged()) + packs
    until(
        lambda: len(way.acknowledged()) >= wanted,
        f"acknowledgements {what}",
        every_s=0.002,
        within_s=within_s,
    )
