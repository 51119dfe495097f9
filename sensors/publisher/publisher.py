"""The publisher: what goes out when, what came back, and what is sent again."""

from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from random import Random

from sensors.config import NodeFile
from sensors.message.errors import ConfigError
from sensors.message.names import base_name, topic
from sensors.message.secret import read_secret
from sensors.message.statement import PROTO, Status, read_config, read_statement, write_status
from sensors.publisher.choose import Chosen, Pace, newest_chunk
from sensors.publisher.passwords import Login, Passwords
from sensors.publisher.transport import Event, Transport
from sensors.spool import Spool, View, merged

TRIES_TOGETHER = 5
TRY_PASSWORD_S = 86400.0
CALM_S = 5.0


@dataclass(slots=True, kw_only=True)
class Sent:
    """Instants that went out and are not yet named by a statement. `tries` counts how often they went."""

    first: int
    last: int
    again_at: float
    tries: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What a publisher is handed: clocks, chance, and where it says what happened."""

    now_ms: Callable[[], int]
    monotonic: Callable[[], float]
    chance: Random
    say: Callable[[str], None]


@dataclass(slots=True, kw_only=True)
class _Flow:
    """Where the connection stands."""

    connected: bool = False
    connecting: bool = False
    retry_at: float = 0.0
    retry_s: float = 0.0
    send_at: float = 0.0
    in_flight: tuple[int, Sent] | None = None
    told_status: bytes = b""
    told_at: float = float("-inf")
    told_away: str = ""
    errors: tuple[tuple[str, ...], ...] = ()
    is_trying: bool = False  # a new password
    try_at: float = 0.0


class Publisher:
    """Moves instants from the spool to the collector. `step` does what is due."""

    def __init__(
        self,
        node: NodeFile,
        spool: Spool,
        transport: Transport,
        *,
        pace: Pace,
        around: Surroundings,
        passwords: Passwords | None = None,
    ) -> None:
        self.node, self.spool, self.transport, self.pace, self.around = node, spool, transport, pace, around
        self.passwords = passwords
        self.sent: list[Sent] = []
        self.tries: dict[tuple[int, int], int] = {}
        self.flow = _Flow(retry_s=pace.first_retry_s)
        self.acknowledged = 0

    def topic(self, leaf: str) -> str:
        """One of this node's own topics."""
        return topic(self.node.site, self.node.node, leaf)

    def step(self, *, wait_s: float) -> None:
        """Take what came within `wait_s`, then connect, send again or send on as is due."""
        event = self.transport.next_event(min(wait_s, self._rest_s()))
        while event is not None:
            self._take(event)
            event = self.transport.next_event(0.0)
        now = self.around.monotonic()
        self._give_up_waiting(now)
        self._try_password(now)
        if not self.flow.connected:
            self._connect(now)
        elif self.flow.in_flight is None and now >= self.flow.send_at:
            self._send(now)
        if self.flow.connected:
            self._tell_status(now)

    def waiting(self) -> int:
        """How many instants no statement has named yet."""
        return sum(last - first + 1 for first, last in self.spool.waiting())

    def is_connected(self) -> bool:
        """Whether the collector is there."""
        return self.flow.connected

    def leave(self, *, next_s: int) -> None:
        """Say when to expect this node again, and go."""
        if self.flow.connected:
            self.transport.publish(self.topic("status"), self._status("asleep", next_s=next_s), retain=True)
        self.transport.close()

    def _rest_s(self) -> float:
        now = self.around.monotonic()
        if not self.flow.connected:
            return max(self.flow.retry_at - now, 0.0) if not self.flow.connecting else CALM_S
        return (
            max(self.flow.send_at - now, 0.0) if self.flow.in_flight is None and self._next_run() else CALM_S
        )

    def _take(self, event: Event) -> None:
        match event.kind:
            case "connected":
                self._on_connected()
            case "refused":
                self._on_refused(event)
            case "lost":
                self._on_lost(event)
            case "taken":
                self._on_taken(event)
            case _:
                self._on_word(event)

    def _on_connected(self) -> None:
        self.flow.connected, self.flow.connecting = True, False
        self.flow.retry_s, self.flow.told_status = self.pace.first_retry_s, b""
        self.flow.told_away = ""
        self.around.say("collector reached")
        if self.flow.is_trying and self.passwords is not None:
            self.passwords.take()
            self.flow.is_trying = False
            self.around.say(f"a new password is in force (generation {self.passwords.own.generation})")

    def _on_refused(self, event: Event) -> None:
        self._on_lost(event)
        if self.flow.is_trying and self.passwords is not None:
            self.around.say("the new password is not taken yet; on with the old one")
            self.flow.is_trying, self.flow.try_at = False, self.around.monotonic() + TRY_PASSWORD_S
            self._switch(self.passwords.own)

    def _on_lost(self, event: Event) -> None:
        self.flow.connected = self.flow.connecting = False
        wait_s = self.flow.retry_s * self.around.chance.uniform(0.75, 1.25)
        self.flow.retry_at = self.around.monotonic() + wait_s
        self.flow.retry_s = min(2 * self.flow.retry_s, self.pace.most_retry_s)
        if event.reason != self.flow.told_away:  # once, however often it is tried
            self.flow.told_away = event.reason
            self.around.say(f"collector away ({event.reason}); {self.waiting()} instants wait")

    def _on_taken(self, event: Event) -> None:
        if self.flow.in_flight is None or event.mid != self.flow.in_flight[0]:
            return
        sent = self.flow.in_flight[1]
        self.flow.in_flight = None
        self.acknowledged += sent.last - sent.first + 1
        if event.reason:
            self.around.say(f"instants {sent.first} to {sent.last} were refused: {event.reason}")

    def _on_word(self, event: Event) -> None:
        if event.topic == self.topic("ack"):
            self._on_statement(event.payload)
        elif event.topic == self.topic("config"):
            self._on_config(event.payload)
        elif event.topic == self.topic("secret"):
            self._on_secret(event.payload)

    def _on_statement(self, payload: bytes) -> None:
        said = read_statement(payload)
        if said is None:
            self.flow.errors = (("config", "form"),)
            return
        if said.journal != self.spool.journal:
            return
        held = tuple((first, last) for first, last, _ in said.held)
        if self.spool.take_view(View(t=said.t_ms, upto=said.upto, have=tuple(said.have), held=held)):
            stored = self.spool.view.stored + list(held)
            self.sent = [each for each in self.sent if not _covered(each, stored)]
            self.tries = {run: tries for run, tries in self.tries.items() if not _is_inside(run, stored)}

    def _on_config(self, payload: bytes) -> None:
        try:
            config = read_config(payload)
        except ConfigError as error:
            self.flow.errors = (("config", error.member),)
            return
        kept = {
            "rev": config.rev,
            "sample_s": config.sample_s,
            "upload_s": config.upload_s,
            "phase_s": config.phase_s,
        }
        if kept != self.spool.config:
            self.spool.set_config(kept)
        self.flow.errors = ()

    def _on_secret(self, payload: bytes) -> None:
        secret = read_secret(payload)
        if secret is not None and self.passwords is not None and self.passwords.keep(secret):
            self.flow.try_at = 0.0  # at once; what was kept from before waits its day

    def _try_password(self, now: float) -> None:
        """Connect with the password that was told last, if there is one and it is its time."""
        passwords = self.passwords
        if passwords is None or passwords.new is None or self.flow.is_trying or now < self.flow.try_at:
            return
        self.flow.is_trying = True
        self._switch(passwords.new)

    def _switch(self, login: Login) -> None:
        self.transport.use(login.user, login.password)
        self.flow.connected = self.flow.connecting = False
        self.flow.retry_at = 0.0

    def _connect(self, now: float) -> None:
        if not self.flow.connecting and now >= self.flow.retry_at:
            self.flow.connecting = True
            self.transport.connect()

    def _next_run(self) -> tuple[int, int] | None:
        going = [(each.first, each.last) for each in self.sent]
        runs = self.spool.waiting(besides=merged(going))
        return runs[-1] if runs else None

    def _send(self, now: float) -> None:
        chosen = self._choose()
        if chosen is None:
            return
        tries = self.tries.get((chosen.first, chosen.last), 0) + 1
        self.tries[chosen.first, chosen.last] = tries
        wait_s = min(self.pace.resend_s * 2 ** (tries - 1), self.pace.most_resend_s)
        sent = Sent(first=chosen.first, last=chosen.last, again_at=now + wait_s, tries=tries)
        self.sent.append(sent)
        self.flow.send_at = now + self.pace.gap_s
        self.flow.in_flight = (self.transport.publish(self.topic("readings"), chosen.payload), sent)

    def _choose(self) -> Chosen | None:
        run = self._next_run()
        if run is None:
            return None
        alone = any(
            tries >= TRIES_TOGETHER and low <= run[1] <= high for (low, high), tries in self.tries.items()
        )
        most = 1 if alone else self.pace.most_instants(len(self.spool.layout_at(run[1])[1]))
        first = max(run[0], run[1] - most + 1)
        return newest_chunk(
            self.spool.read(first, run[1]),
            self.spool.layout_at,
            base_name=base_name(self.node.site, self.node.node),
            journal=self.spool.journal,
            pace=self.pace,
            now_ms=self.around.now_ms(),
        )

    def _give_up_waiting(self, now: float) -> None:
        flying = self.flow.in_flight[1] if self.flow.in_flight and self.flow.connected else None
        self.sent = [each for each in self.sent if each is flying or now < each.again_at]

    def _tell_status(self, now: float) -> None:
        status = self._status("up")
        ended = self.waiting() == 0
        due = self.flow.told_status == b"" or (now - self.flow.told_at >= (0.5 if ended else CALM_S))
        if due and _without_time(status) != self.flow.told_status:
            self.transport.publish(self.topic("status"), status, retain=True)
            self.flow.told_status, self.flow.told_at = _without_time(status), now

    def _status(self, state: str, *, next_s: int = 0) -> bytes:
        spool = self.spool
        return write_status(
            Status(
                state=state,
                t_ms=self.around.now_ms(),
                journal=spool.journal,
                head=spool.head,
                tail=spool.tail,
                pending=self.waiting(),
                held=sum(last - first + 1 for first, last in spool.view.held),
                stuck=sum(tries > TRIES_TOGETHER for tries in self.tries.values()),
                lost=spool.lost,
                config_rev=spool.config.get("rev", 0),
                generation=self.passwords.own.generation if self.passwords else 1,
                firmware=version("hangtrue"),
                proto=PROTO,
                battery_mv=None,
                rssi_dbm=None,
                boot=spool.boot,
                why="start",
                clock_fix=None,
                next_s=next_s,
                errors=self.flow.errors,
            )
        )


def _covered(sent: Sent, stored: list[tuple[int, int]]) -> bool:
    return _is_inside((sent.first, sent.last), stored)


def _is_inside(run: tuple[int, int], stored: list[tuple[int, int]]) -> bool:
    return any(low <= run[0] and run[1] <= high for low, high in merged(stored))


def _without_time(status: bytes) -> bytes:
    return b",".join(part for part in status.split(b",") if not part.startswith(b'"t":'))
