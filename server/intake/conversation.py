"""What is answered to each packet of a client that was let in."""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import repeat
from typing import NamedTuple, Protocol, cast

from server.intake.admission import Terms
from server.intake.codec import write, write_puback, write_within
from server.intake.fields import PacketError, write_text
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
from server.intake.runs import PLAIN, plain_run
from server.intake.sessions import Session
from server.intake.topics import is_filter, is_shared, is_topic, leaf_of, matches, may_read
from server.intake.values import DownlinkValue, Identity, Taken

_LOG = logging.getLogger("hangtrue.intake")
_PLAIN = bytes((PLAIN,))


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

    def offer_run(self, topic: str, payloads: Sequence[bytes], tokens: Sequence[Token]) -> None:
        """Hand packs of one topic to the collector, all together."""

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
        self._pending: dict[int, tuple[float, Publish | bytes]] = {}  # a payload alone: an ordinary pack
        self._serial = 0
        self._quiet_until_s = 0.0
        self._was_over_rate = False
        self._readings = next((each for each in seat.writes if leaf_of(each) == "readings"), "")
        self._head = write_text(self._readings) if self._readings else b""
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

    def was_over_rate(self) -> bool:
        """Whether it was paused for its rate since this was asked last."""
        was, self._was_over_rate = self._was_over_rate, False
        return was

    def receive(self, packet: Packet) -> None:
        """Answer one packet. Raises PacketError for one that ends the connection."""
        answer = self._answers.get(type(packet))
        if answer is None:  # a second CONNECT (3:3.1.0-2, 5:3.1.0-2), or a packet of servers
            came = type(packet).__name__.upper()
            raise PacketError("a packet of a client", came, reason=Reason.PROTOCOL_ERROR)
        answer(packet)

    def take_run(self, data: bytes, at: int, most: int) -> tuple[int, int]:
        """Take ordinary packs that stand at `at`, all together: how many, at most `most`, and where they end.

        Only those that need no answer but a PUBACK and reach no bound: all else is for `receive`.
        """
        if not self._head or data[at : at + 1] != _PLAIN:
            return 0, at
        is_5, now_s = self._version == 5, self._line.now_s()
        in_flight = self._limits.in_flight if is_5 else self._limits.in_flight_3 - 1
        room = min(most, in_flight - len(self._pending), self.seat.bucket.room(now_s))
        most_bytes = self._limits.packet_bytes
        run = plain_run(data, at, self._head, most=room, most_bytes=most_bytes, is_5=is_5)
        count = len(run.packet_ids)
        if count:
            serials = range(self._serial + 1, self._serial + 1 + count)
            self._serial += count
            self._pending.update(zip(serials, zip(repeat(now_s), run.payloads), strict=False))
            self.seat.bucket.take(now_s, count)
            tokens = list(map(Token, repeat(self._line.number), serials, run.packet_ids))
            self._line.offer_run(self._readings, run.payloads, tokens)
        return count, run.end

    def settle(self, answers: Sequence[Taken], *, is_watched: bool) -> tuple[int, list[Publish]]:
        """Acknowledge what is committed, all in one write, and read on if that made room.

        `answers` carry tokens of this conversation. Gives how many were in flight; and, for who watches, the
        packs that were stored.
        """
        pubacks: list[bytes] = []
        stored: list[Publish | bytes] = []
        for token, code in answers:
            _, serial, packet_id = cast(Token, token)
            open_pack = self._pending.pop(serial, None)
            if open_pack is None:
                continue
            pubacks.append(write_puback(packet_id) if code is None else self._refused(packet_id, code))
            if code is None and is_watched:
                stored.append(open_pack[1])
        self._line.write(b"".join(pubacks))
        if len(self._pending) <= self._limits.in_flight_3 // 2:
            self._line.release("in flight")
        return len(pubacks), [
            Publish(topic=self._readings, payload=one) if isinstance(one, bytes) else one for one in stored
        ]

    def post(self, values: Sequence[DownlinkValue], *, is_retained: bool = False) -> None:
        """Send down-links: those that a new subscription finds retained, or those that are newer."""
        session = self.seat.session
        session.post_retained(values) if is_retained else session.post(values)
        self._pump()

    def show(self, packet: Publish | Will | DownlinkValue, *, found_by: Sequence[str] = ()) -> None:
        """Send what is committed to a watcher who asked for its topic, unless it is far behind.

        `found_by`: the new filters that find it retained.
        """
        if self._line.unsent_bytes() > self._limits.unsent_bytes // 2:
            return
        session, is_kept = self.seat.session, not isinstance(packet, DownlinkValue) and packet.retain
        wanted = [each for each in found_by or session.state.filters if matches(each, packet.topic)]
        if wanted:
            retain = bool(found_by) or (is_kept and any(session.wants_retain(each) for each in wanted))
            shown = Publish(topic=packet.topic, payload=packet.payload, retain=retain)
            self._line.write(write(shown, self._version))

    def _refused(self, packet_id: int, code: str) -> bytes:
        self._line.count("refused_packs")
        _LOG.info("%s: a pack was refused and is held back: %s", self.seat.owner, code)
        if self._version == 4:
            return write_puback(packet_id)
        refusal = Puback(packet_id=packet_id, code=Reason.NOT_TAKEN, properties=self._said(code))
        return write_within(refusal, 5, self.seat.terms.maximum_packet_bytes)

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
            self._was_over_rate = True
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
            self._line.write(write_within(refusal, 5, self.seat.terms.maximum_packet_bytes))

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
