"""One connection: its bytes in and out, its pauses and its silence."""

import asyncio
import logging
from collections.abc import Sequence
from typing import Protocol

from server.intake.codec import find_frame, read, write, write_within
from server.intake.conversation import Conversation, Seat, Token
from server.intake.fields import MOST_VARINT, PacketError
from server.intake.limits import Limits
from server.intake.packets import Connack, Connect, Disconnect, Publish
from server.intake.properties import Properties, number
from server.intake.reasons import Reason, connack_code_3

_LOG = logging.getLogger("hangtrue.intake")
_PACKETS_A_TURN = 256


class Hub(Protocol):
    """What a connection asks of those who keep all of them."""

    limits: Limits

    def opened(self, connection: "Connection") -> None:
        """A socket was opened."""

    def connect(self, connection: "Connection", packet: Connect) -> None:
        """A CONNECT asks to be let in."""

    def offer(self, connection: "Connection", packet: Publish, token: Token | None) -> None:
        """A pack that may be stored."""

    def offer_run(self, topic: str, payloads: Sequence[bytes], tokens: Sequence[Token]) -> None:
        """Packs of one topic that may be stored, in order."""

    def subscribed(self, connection: "Connection", topics: Sequence[str]) -> None:
        """Filters changed; what is retained on `topics` is to be sent."""

    def gone(self, connection: "Connection", *, is_farewell: bool) -> None:
        """The connection has ended; its will holds unless it said farewell."""

    def lost(self, connection: "Connection") -> None:
        """Its socket is closed."""

    def count(self, name: str) -> None:
        """One more of what `counters` calls that."""


class Connection(asyncio.Protocol):
    """Speaks MQTT 3.1.1 or 5.0 with one client, on the loop of the listener alone."""

    def __init__(self, hub: Hub) -> None:
        self.number, self.address, self.is_crowding = 0, "?", False
        self.talk: Conversation | None = None
        self.is_open = True
        self.limits = hub.limits
        self._hub = hub
        self._version: int | None = None
        self._most_bytes = MOST_VARINT
        self._buffer = b""
        self._out: list[bytes] = []
        self._is_eating = False
        self._held: set[str] = set()
        self._heard_s = 0.0
        self._timer: asyncio.TimerHandle | None = None
        self._transport = asyncio.Transport()

    @property
    def name(self) -> str:
        """What the log calls it: the node or the user, and before that the address."""
        return self.talk.seat.owner if self.talk else self.address

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Wait for CONNECT, but not for long."""
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 - a server of streams makes no other
        self._transport, self._loop = transport, asyncio.get_running_loop()
        self.address = str((transport.get_extra_info("peername") or ("?",))[0])
        self._timer = self._loop.call_later(self.limits.connect_within_s, self._connect_is_late)
        self._hub.opened(self)

    def data_received(self, data: bytes) -> None:
        """Take bytes in; read packets unless paused."""
        if self.is_open:
            self._buffer = self._buffer + data if self._buffer else data
            if not self._held:
                self._eat()

    def connection_lost(self, exc: Exception | None) -> None:
        """The socket is closed, by whichever side."""
        self._end(is_farewell=False)
        self._hub.lost(self)

    def sit(self, seat: Seat, connack: Connack) -> Conversation:
        """Let the client in: CONNACK is the first thing it hears (3:3.2.0-1)."""
        self.write(write(connack, seat.terms.version))
        self.talk = Conversation(self, seat)
        self._heard_s = self._loop.time()
        self._arm(self._heard_s + seat.terms.silent_s)
        return self.talk

    def refuse(self, reason: Reason, words: str, version: int) -> None:
        """Answer a CONNECT with a refusal, where the version has a word for it, and close."""
        code = reason if version == 5 else connack_code_3(reason)
        if code is not None:
            properties: Properties = {"reason_string": words} if version == 5 else {}
            self.write(write_within(Connack(code=code, properties=properties), version, self._most_bytes))
        self.close(None, words)

    def close(self, reason: Reason | None, words: str, *, is_farewell: bool = False) -> None:
        """End the connection. A 5.0 client is told the reason, once CONNACK was sent (5:3.14.0-1)."""
        if not self.is_open:
            return
        if reason is not None and self.talk and self.talk.seat.terms.version == 5:
            farewell = Disconnect(code=reason, properties={"reason_string": words})
            self.write(write_within(farewell, 5, self._most_bytes))
        self._flush()
        self._end(is_farewell=is_farewell)
        self._transport.close()
        if self._transport.get_write_buffer_size():
            self._loop.call_later(self.limits.linger_s, self._transport.abort)

    def abort(self) -> None:
        """End the connection at once, and drop what was not sent."""
        self._end(is_farewell=False)
        self._transport.abort()

    def write(self, data: bytes) -> None:
        """Send bytes: at once, or with all else that is sent in this turn of reading."""
        if data and self.is_open:
            self._out.append(data)
            if not self._is_eating:
                self._flush()

    def unsent_bytes(self) -> int:
        """Bytes that the client has not taken yet."""
        return self._transport.get_write_buffer_size()

    def hold(self, why: str) -> None:
        """Stop reading, for one more reason."""
        if not self._held and self.is_open:
            self._transport.pause_reading()
        self._held.add(why)

    def release(self, why: str) -> None:
        """A reason to stop reading is gone; read on after the last."""
        if why not in self._held:
            return
        self._held.discard(why)
        if not self._held and self.is_open:
            self._heard_s = self._loop.time()  # the silence was ours
            self._transport.resume_reading()
            if not self._is_eating:
                self._eat()

    def release_in(self, wait_s: float, why: str) -> None:
        """Release in a while."""
        self._loop.call_later(wait_s, self.release, why)

    def now_s(self) -> float:
        """The loop's time."""
        return self._loop.time()

    def offer(self, packet: Publish, token: Token | None) -> None:
        """Hand a pack up."""
        self._hub.offer(self, packet, token)

    def offer_run(self, topic: str, payloads: Sequence[bytes], tokens: Sequence[Token]) -> None:
        """Hand packs up, all together."""
        self._hub.offer_run(topic, payloads, tokens)

    def subscribed(self, topics: Sequence[str]) -> None:
        """Tell that filters changed."""
        self._hub.subscribed(self, topics)

    def count(self, name: str) -> None:
        """One more of that."""
        self._hub.count(name)

    def _eat(self) -> None:
        self._is_eating = True
        at = turns = 0
        try:
            while self.is_open and not self._held:
                packs, end = self._run(at, _PACKETS_A_TURN - turns)
                if not packs:
                    frame = self._frame(at)
                    if not frame:
                        break
                    self._receive(*frame)
                    packs, end = 1, frame[2]
                at, turns = end, turns + packs
                if turns == _PACKETS_A_TURN:  # others want the loop too
                    self.hold("turn")
                    self._loop.call_soon(self.release, "turn")
        except PacketError as error:
            self._fault(error)
        finally:
            self._is_eating = False
        if turns:
            self._heard_s = self._loop.time()
        self._buffer = self._buffer[at:]
        self._flush()

    def _run(self, at: int, most: int) -> tuple[int, int]:
        """Take ordinary packs, all together; how many, and where they end."""
        return self.talk.take_run(self._buffer, at, most) if self.talk else (0, at)

    def _frame(self, at: int) -> tuple[int, int, int] | None:
        if not self.talk and len(self._buffer) > at and self._buffer[at] != 0x10:
            raise PacketError("CONNECT first", f"0x{self._buffer[at]:02X}")  # 3:3.1.0-1, 5:3.1.0-1
        return find_frame(self._buffer, at, self.limits.packet_bytes)

    def _receive(self, first: int, start: int, end: int) -> None:
        packet = read(first, self._buffer, start, end, self._version or 4)
        if self.talk:
            self.talk.receive(packet)
        elif isinstance(packet, Connect):
            self._version = packet.version
            self._most_bytes = number(packet.properties, "maximum_packet_bytes", MOST_VARINT)
            self.hold("check")  # what follows a refused CONNECT is never read (3:3.1.4-5, 5:3.1.4-6)
            self._hub.connect(self, packet)

    def _flush(self) -> None:
        if not self._out or not self.is_open:
            return
        self._transport.write(b"".join(self._out))
        self._out.clear()
        if self.unsent_bytes() > self.limits.unsent_bytes:
            self.count("unread_closes")
            _LOG.warning("%s: closed, it does not read what is sent to it", self.name)
            self.abort()

    def _fault(self, error: PacketError) -> None:
        self.count("protocol_errors")
        _LOG.warning("%s: closed, 0x%02X: %s", self.name, error.reason, error)
        if self.talk or error.version is None:
            self.close(error.reason, f"needs {error.needed}")
        else:
            self.refuse(error.reason, f"needs {error.needed}", error.version)

    def _end(self, *, is_farewell: bool) -> None:
        if self.is_open:
            self.is_open = False
            self._out.clear()
            if self._timer:
                self._timer.cancel()
            self._hub.gone(self, is_farewell=is_farewell)

    def _connect_is_late(self) -> None:
        if self._version is None:
            _LOG.info("%s: closed, no CONNECT within %g s", self.address, self.limits.connect_within_s)
            self.close(None, "")

    def _arm(self, at_s: float) -> None:
        if self._timer:
            self._timer.cancel()
        self._timer = self._loop.call_at(at_s, self._check_silence)

    def _check_silence(self) -> None:
        assert self.talk is not None  # noqa: S101 - armed when it was let in
        now_s = self._loop.time()
        if self._held:
            self._heard_s = now_s
        due_s = self._heard_s + self.talk.seat.terms.silent_s
        if now_s < due_s:  # heard since: one timer a connection, not one a packet
            self._arm(due_s)
            return
        self.count("silent_closes")
        _LOG.info("%s: closed, silent for %.0f s", self.name, now_s - self._heard_s)
        self.close(Reason.KEEP_ALIVE_TIMEOUT, "nothing came within 1.5 x keep-alive")
