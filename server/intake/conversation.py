"""What is answered to each packet of a client that was let in."""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

from server.intake.admission import Terms
from server.intake.codec import write, write_puback
from server.intake.fields import PacketError
from server.intake.limits import Bucket, Limits
from server.intake.packets import (
    Disconnect,
    Filter,
    Packet,
    Pingreq,
    Pingresp,
    Puback,
    Publish,
    Suback,
    Subscribe,
    Unsuback,
    Unsubscribe,
    Will,
)
from server.intake.properties import Properties, number
from server.intake.reasons import SUBSCRIBE_FAILED_3, Reason
from server.intake.sessions import Session
from server.intake.topics import is_filter, is_shared, is_topic, leaf_of, matches, may_read
from server.intake.values import DownlinkValue, Identity

_LOG = logging.getLogger("hangtrue.intake")


class Token(NamedTuple):
    """Names one publication of one connection. Connection numbers are never used twice."""

    connection: int
    serial: int
    packet_id: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Seat:
    """What a client holds once it was let in. `writes`, `reads`: the topics of its own."""

    identity: Identity
    owner: str
    terms: Terms
    session: Session
    will: Will | None
    writes: frozenset[str]
    reads: frozenset[str]
    bucket: Bucket


class Line(Protocol):
    """What a conversation asks of its connection."""

    number: int
    limits: Limits

    def write(self, data: bytes) -> None:
        """Send bytes, together with what else this turn sends."""

    def unsent_bytes(self) -> int:
        """Bytes that the client has not taken yet."""

    def close(self, reason: Reason | None, words: str, *, is_farewell: bool = False) -> None:
        """End the connection."""

    def hold(self, why: str) -> None:
        """Stop reading."""

    def release(self, why: str) -> None:
        """Read on."""

    def release_in(self, wait_s: float, why: str) -> None:
        """Read on in a while."""

    def now_s(self) -> float:
        """The loop's time."""

    def offer(self, packet: Publish, token: Token | None) -> None:
        """Hand a pack to the collector."""

    def subscribed(self, topics: Sequence[str]) -> None:
        """Filters changed; what is retained on `topics` is to be sent."""

    def count(self, name: str) -> None:
        """One more of what `counters` calls that."""


class Conversation:
    """Both directions of one client: packs up, each acknowledged once it is committed; down-links down."""

    def __init__(self, line: Line, seat: Seat) -> None:
        self.seat = seat
        self._line, self._limits = line, line.limits
        self._version = seat.terms.version
        self._pending: dict[int, tuple[float, Publish]] = {}
        self._serial = 0
        self._quiet_until_s = 0.0
        self._answers: dict[type, Callable[..., None]] = {
            Publish: self._publish,
            Puback: self._puback,
            Pingreq: self._pingreq,
            Subscribe: self._subscribe,
            Unsubscribe: self._unsubscribe,
            Disconnect: self._disconnect,
        }

    @property
    def oldest_s(self) -> float | None:
        """When the oldest pack came that is not acknowledged yet, in the loop's time."""
        return next(iter(self._pending.values()))[0] if self._pending else None

    @property
    def open_packs(self) -> int:
        """Packs that came and are not acknowledged yet."""
        return len(self._pending)

    def receive(self, packet: Packet) -> None:
        """Answer one packet. Raises PacketError for one that ends the connection."""
        answer = self._answers.get(type(packet))
        if answer is None:  # a second CONNECT (3:3.1.0-2, 5:3.1.0-2), or a packet of servers
            came = type(packet).__name__.upper()
            raise PacketError("a packet of a client", came, reason=Reason.PROTOCOL_ERROR)
        answer(packet)

    def settled(self, token: Token, code: str | None) -> tuple[bytes, Publish | None]:
        """The PUBACK of a pack that is committed, and the pack; nothing for one that is not in flight."""
        if token.serial not in self._pending:
            return b"", None
        _, packet = self._pending.pop(token.serial)
        if code is not None:
            self._line.count("refused_packs")
            _LOG.info("%s: a pack was refused and is held back: %s", self.seat.owner, code)
        if code is None or self._version == 4:
            return write_puback(token.packet_id), packet
        refusal = Puback(packet_id=token.packet_id, code=Reason.NOT_TAKEN, properties=self._said(code))
        return write(refusal, 5), packet

    def send_settled(self, pubacks: bytes) -> None:
        """Send the PUBACKs of a commit in one write, and read on if that made room."""
        self._line.write(pubacks)
        if len(self._pending) <= self._limits.in_flight_3 // 2:
            self._line.release("in flight")

    def post(self, values: Sequence[DownlinkValue], *, is_retained: bool = False) -> None:
        """Send down-links: those that a new subscription finds retained, or those that are newer."""
        session = self.seat.session
        session.post_retained(values) if is_retained else session.post(values)
        self._pump()

    def show(self, packet: Publish) -> None:
        """Send a committed pack to a watcher who asked for its topic, unless it is far behind."""
        if self._line.unsent_bytes() > self._limits.unsent_bytes // 2:
            return
        if any(matches(wanted, packet.topic) for wanted in self.seat.session.state.filters):
            self._line.write(write(Publish(topic=packet.topic, payload=packet.payload), self._version))

    def _publish(self, packet: Publish) -> None:
        self._check_publish(packet)
        self._pace()
        if packet.topic not in self.seat.writes:
            self._refuse_topic(packet)
            return
        self._line.offer(packet, self._token(packet) if packet.qos else None)
        if self._version == 4 and len(self._pending) >= self._limits.in_flight_3:
            self._line.count("flight_pauses")
            self._line.hold("in flight")

    def _pace(self) -> None:
        if wait_s := self.seat.bucket.take(self._line.now_s()):
            self._line.count("rate_pauses")
            self._warn_of_rate()
            self._line.hold("rate")
            self._line.release_in(wait_s, "rate")

    def _warn_of_rate(self) -> None:
        if self._line.now_s() >= self._quiet_until_s:
            self._quiet_until_s = self._line.now_s() + 60.0
            _LOG.warning("%s: over %d packs a minute, paused", self.seat.owner, self._limits.rate_per_minute)

    def _check_publish(self, packet: Publish) -> None:
        if "topic_alias" in packet.properties:
            raise PacketError("no topic alias", "one", reason=Reason.BAD_ALIAS)  # 5:3.3.2-9
        if not is_topic(packet.topic):
            raise PacketError("a topic without wildcards", repr(packet.topic)[:40], reason=Reason.BAD_TOPIC)
        if packet.qos == 2:
            _LOG.warning(
                "%s published with QoS 2; this service takes 0 and 1. "
                "Set QoS 1: a reading is stored once anyway.",
                self.seat.owner,
            )
            raise PacketError("QoS 0 or 1", "QoS 2", reason=Reason.QOS_NOT_SUPPORTED)  # 5:3.2.2-11
        if "subscription_id" in packet.properties:  # 5:3.3.4-6
            raise PacketError("no subscription identifier", "one", reason=Reason.PROTOCOL_ERROR)

    def _token(self, packet: Publish) -> Token:
        most = self._limits.in_flight
        if self._version == 5 and len(self._pending) >= most:  # 5:3.3.4-7
            raise PacketError(f"at most {most} packs in flight", "one more", reason=Reason.TOO_MANY_IN_FLIGHT)
        self._serial += 1
        self._pending[self._serial] = (self._line.now_s(), packet)
        return Token(self._line.number, self._serial, packet.packet_id or 0)

    def _refuse_topic(self, packet: Publish) -> None:
        self._line.count("refused_topics")
        _LOG.warning("%s: may not publish to %.40r", self.seat.owner, packet.topic)
        if self._version == 4:  # it knows "acknowledge or close", and an acknowledgement would be a lie
            self._line.close(None, "")
        elif packet.packet_id:
            said = self._said("foreign-topic")
            refusal = Puback(packet_id=packet.packet_id, code=Reason.NOT_AUTHORIZED, properties=said)
            self._line.write(write(refusal, 5))

    def _said(self, words: str) -> Properties:
        return {"reason_string": words} if self.seat.terms.wants_problem else {}

    def _puback(self, packet: Puback) -> None:
        if self.seat.session.acknowledge(packet.packet_id):
            self._pump()

    def _pump(self) -> None:
        terms, session = self.seat.terms, self.seat.session
        while packets := session.due(terms.receive_maximum):
            for packet in packets:
                data = write(packet, self._version)
                if len(data) <= terms.maximum_packet_bytes:
                    self._line.write(data)
                elif packet.packet_id:  # as if it were done (5:3.1.2-25)
                    _LOG.warning("%s: %s is larger than it takes", self.seat.owner, leaf_of(packet.topic))
                    session.acknowledge(packet.packet_id)

    def _pingreq(self, _packet: Pingreq) -> None:
        self._line.write(write(Pingresp(), self._version))

    def _subscribe(self, packet: Subscribe) -> None:
        if "subscription_id" in packet.properties:
            raise PacketError("no subscription identifier", "one", reason=Reason.NO_SUBSCRIPTION_ID)
        codes, fresh = [], []
        for wish in packet.filters:
            code = self._granted(wish)
            if code > Reason.GRANTED_QOS_1:
                self._line.count("refused_filters")
                _LOG.warning("%s: may not subscribe to %.40r, 0x%02X", self.seat.owner, wish.topic, code)
                code = SUBSCRIBE_FAILED_3 if self._version == 4 else code
            elif self.seat.session.subscribe(wish, code):
                fresh.append(wish.topic)
            codes.append(code)
        self._line.write(write(Suback(packet_id=packet.packet_id, codes=tuple(codes)), self._version))
        self._line.subscribed(fresh)

    def _granted(self, wish: Filter) -> int:
        identity, filters = self.seat.identity, self.seat.session.state.filters
        if is_shared(wish.topic):
            return Reason.NO_SHARED
        if not is_filter(wish.topic):
            return Reason.BAD_FILTER
        if not may_read(identity, wish.topic):
            return Reason.NOT_AUTHORIZED
        if wish.topic not in filters and len(filters) >= self._limits.filters:
            return Reason.QUOTA
        return min(wish.qos, 1) if identity.role == "node" else 0

    def _unsubscribe(self, packet: Unsubscribe) -> None:
        session = self.seat.session
        codes = tuple(0 if session.unsubscribe(each) else Reason.NO_SUBSCRIPTION for each in packet.filters)
        self._line.write(write(Unsuback(packet_id=packet.packet_id, codes=codes), self._version))
        self._line.subscribed(())

    def _disconnect(self, packet: Disconnect) -> None:
        session = self.seat.session
        expiry_s = number(packet.properties, "session_expiry_s", session.keep_s)
        if expiry_s and not session.keep_s:  # 5:3.14.2.2.2
            raise PacketError("no session expiry after 0", f"{expiry_s}", reason=Reason.PROTOCOL_ERROR)
        session.keep_s = min(expiry_s, self._limits.session_s)
        self._line.close(None, "", is_farewell=packet.code == Reason.SUCCESS)
