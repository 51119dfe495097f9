"""What one client has asked for and been sent: its filters, and each down-link until it is acknowledged."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from server.intake.packets import Filter, Publish
from server.intake.topics import DOWN_LEAVES, leaf_of
from server.intake.values import DownlinkValue, SessionState

# One packet identifier a leaf for good: at most one delivery of a topic is open, and a delivery that is
# repeated keeps its identifier over connections (3:4.4.0-1) without a table of them.
PACKET_IDS = {leaf: number for number, leaf in enumerate(DOWN_LEAVES, start=1)}
_RETAIN_AS_PUBLISHED = 8


@dataclass(frozen=True, slots=True)
class _Letter:
    value: DownlinkValue
    on_subscribing: bool


class Session:
    """The down-links of one client: newest revision only, one delivery of a topic at a time.

    `keep_s`: seconds that the state outlives the connection; 0: it does not.
    """

    def __init__(self, state: SessionState, *, keep_s: int = 0) -> None:
        self.state, self.keep_s, self.is_saved = state, keep_s, False
        self._open: dict[int, DownlinkValue] = {}
        self._waiting: dict[str, _Letter] = {}
        self._posted: dict[str, int] = {}
        self._owed = {topic for topic, rev in state.sent.items() if rev > state.acknowledged.get(topic, 0)}

    def subscribe(self, wish: Filter, qos: int) -> bool:
        """Take a filter up at that QoS; whether what is retained is to be sent now."""
        is_new = wish.topic not in self.state.filters
        self.state.filters[wish.topic] = qos | (_RETAIN_AS_PUBLISHED if wish.retain_as_published else 0)
        return wish.retain_handling == 0 or (wish.retain_handling == 1 and is_new)

    def wants_retain(self, topic_filter: str) -> bool:
        """Whether what is published with RETAIN is to come with it (5:3.3.1-13)."""
        return bool(self.state.filters.get(topic_filter, 0) & _RETAIN_AS_PUBLISHED)

    def unsubscribe(self, topic_filter: str) -> bool:
        """Forget a filter and what waits for it; whether it was there."""
        self._waiting.pop(topic_filter, None)
        return self.state.filters.pop(topic_filter, None) is not None

    def post_retained(self, values: Sequence[DownlinkValue]) -> None:
        """Line up what a new subscription finds retained. A payload without bytes is nothing retained."""
        for value in values:
            if (
                value.topic in self.state.filters
                and value.rev >= self._posted.get(value.topic, 0)
                and value.payload
            ):
                self._post(value, on_subscribing=True)

    def post(self, values: Sequence[DownlinkValue]) -> None:
        """Line up what is newer than the client's last revision: on a change, and when a session resumes."""
        for value in values:
            topic = value.topic
            last = max(self._posted.get(topic, 0), self.state.acknowledged.get(topic, 0))
            if topic in self.state.filters and value.rev > last:
                self._post(value, on_subscribing=False)

    def due(self, most_open: int) -> list[Publish]:
        """What may be sent now, with at most `most_open` deliveries open."""
        packets = []
        for topic in list(self._waiting):
            packet_id = PACKET_IDS[leaf_of(topic)]
            if packet_id not in self._open and len(self._open) < most_open:
                packets.append(self._sent(self._waiting.pop(topic), packet_id))
        return packets

    def acknowledge(self, packet_id: int) -> bool:
        """The client has it; whether such a delivery was open."""
        value = self._open.pop(packet_id, None)
        if value is None:
            return False
        self._note(value)
        return True

    def copy_of_state(self) -> SessionState:
        """The state as it is now, for another thread."""
        state = self.state
        return replace(
            state,
            filters=dict(state.filters),
            acknowledged=dict(state.acknowledged),
            sent=dict(state.sent),
        )

    def _post(self, value: DownlinkValue, *, on_subscribing: bool) -> None:
        self._waiting[value.topic] = _Letter(value, on_subscribing)
        self._posted[value.topic] = value.rev

    def _sent(self, letter: _Letter, packet_id: int) -> Publish:
        value, options = letter.value, self.state.filters[letter.value.topic]
        qos = options & 1
        is_repeat = bool(qos) and value.topic in self._owed
        self._owed.discard(value.topic)
        self.state.sent[value.topic] = value.rev
        if qos:
            self._open[packet_id] = value
        else:
            self._note(value)
        return Publish(
            topic=value.topic,
            payload=value.payload,
            qos=qos,
            retain=letter.on_subscribing or bool(options & _RETAIN_AS_PUBLISHED),
            dup=is_repeat,
            packet_id=packet_id if qos else None,
        )

    def _note(self, value: DownlinkValue) -> None:
        acknowledged = self.state.acknowledged
        acknowledged[value.topic] = max(value.rev, acknowledged.get(value.topic, 0))
