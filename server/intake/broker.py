"""Readings by a broker that is there already: paho, and nothing acknowledged before it is committed."""

import json
import logging
import ssl
import threading
import time
from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from server.config import Broker
from server.errors import SettingsError
from server.intake.broker_link import Came, Link
from server.intake.broker_wire import Wiring
from server.intake.topics import leaf_of
from server.intake.values import DownlinkValue, Offer, Queue, Taken

_LOG = logging.getLogger("hangtrue.intake")
_PAHO_LOG = logging.getLogger("hangtrue.intake.paho")
READINGS, STATUS = "hangtrue/v1/+/+/readings", "hangtrue/v1/+/+/status"
SHARED = f"$share/hangtrue/{READINGS}"  # each goes to one of the collectors that ask for it
KEEP_ALIVE_S, SESSION_S, RECEIVE_MAXIMUM = 30, 2_592_000, 200
CONNECT_S = 5.0
# A broker may send more than it was asked to (mosquitto 2.0.11 does). While the line is full nothing is read,
# so that it must wait; once it has been full without a break for so long, as when the store fails for an
# hour, what comes is read and left, for the answers to our pings come the same way, and is asked for again.
UNREAD_S = 10.0
OLD_VERSION = 0x84  # the answer of a broker that has 3.1.1 alone; paho makes it of that version's 1
COUNTERS = (
    "connections",
    "packs",
    "packs_unacknowledged",
    "packs_dropped",
    "queue_pauses",
    "refused_connects",
    "retained_readings",
    "stale_answers",
)


class Receipt(NamedTuple):
    """Which message an answer is for: its number holds on one connection alone."""

    generation: int
    packet_id: int


class BrokerIntake:
    """Takes packs from a broker and acknowledges each once `taken` says that it is committed.

    `downlinks` gives every down-link as it stands: they are told again when this process first connects,
    and when the broker has forgotten us. `start`, then `hold` and `stop`; the rest from any thread.
    """

    def __init__(
        self,
        *,
        queue: Queue,
        settings: Broker,
        clock_ms: Callable[[], int],
        downlinks: Callable[[], Sequence[DownlinkValue]] = tuple,
        first_retry_s: float = 1.0,
        unread_s: float = UNREAD_S,
    ) -> None:
        self._unread_s, self._full_since_s = unread_s, float("inf")
        self._queue, self._settings, self._clock_ms = queue, settings, clock_ms
        self._downlinks, self._first_retry_s = downlinks, first_retry_s
        # always the same: the broker keeps a collector's share under its name until it is back
        self._client_id = f"htcollector{max(1, settings.collector):02d}"
        self._hears_states = not settings.collector
        self._counters = dict.fromkeys(COUNTERS, 0)
        self._guard = threading.Lock()  # of the generation, and of what is acknowledged under it
        self._generation = 0
        self._due: list[Receipt] = []
        self._revs: dict[str, int] = {}
        self._telling = threading.Lock()  # so that no older word follows a newer one
        self._is_held = self._has_told = self._is_behind = self._leaves = False
        self._said = ""
        self._secret: tuple[str, str] = ("", "")
        self._tls: ssl.SSLContext | None = None
        self._client: mqtt.Client | None = None
        self._link: Link | None = None

    def start(self) -> int:
        """Begin to connect, and go on trying; the broker's port.

        Raises SettingsError for a password or certificate that cannot be read, before anything runs.
        """
        self._secret = self._settings.user, _password(self._settings.password_file)
        self._tls = None if self._settings.ca_file is None else _own_authority(self._settings.ca_file)
        self._begin(MQTTProtocolVersion.MQTTv5)
        return self._settings.port

    def taken(self, answers: Sequence[Taken]) -> None:
        """Acknowledge packs, in this order: they are committed. What came on an older connection is dropped.

        While the collector's line is full the acknowledgements wait, so that the broker keeps the rest.
        """
        with self._guard:
            self._due.extend(one.token for one in answers if isinstance(one.token, Receipt))
            if self._queue.is_full():
                self._counters["queue_pauses"] += 1
                return
            self._acknowledge_due()
            if self._is_behind and self._link is not None:
                self._is_behind = False
                self._link.cut()

    def send(self, values: Sequence[DownlinkValue]) -> None:
        """Publish down-links, retained: an empty one clears what was retained."""
        with self._telling:
            for value in values:
                self._tell(value)

    def hear_states(self, hears: bool, /) -> None:
        """Of several collectors one alone reads what nodes say of themselves: this one, or no longer."""
        if hears == self._hears_states:
            return
        self._hears_states = hears
        if self._client is not None and self._client.is_connected():
            if hears:
                self._client.subscribe(_wanted(self._client, [STATUS]))
            else:
                self._client.unsubscribe(STATUS)

    def drop(self, credential_ids: Collection[int]) -> None:
        """Nothing: whom an outside broker lets in, its own files say."""

    def hold(self) -> None:
        """Take nothing more, so that the collector can empty its line; what comes stays with the broker."""
        self._is_held = True

    def stop(self) -> None:
        """Send what is still to be sent, say farewell, and end the thread."""
        if self._link is not None:
            self._link.stop()
        self._client, self._link, self._counters["connections"] = None, None, 0

    def counters(self) -> Mapping[str, int]:
        """Counts since the start, by name; `connections` and `packs_unacknowledged` are of this moment."""
        return dict(self._counters)

    # connecting

    def _begin(self, version: MQTTProtocolVersion) -> None:
        is_five = version == MQTTProtocolVersion.MQTTv5
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._client_id,
            protocol=version,
            clean_session=None if is_five else False,
            manual_ack=True,
        )
        client.username_pw_set(*self._secret)
        client.max_queued_messages_set(0)
        client.connect_timeout = CONNECT_S
        client.suppress_exceptions = True  # a fault of ours must not end the thread; paho logs it
        client.enable_logger(_PAHO_LOG)
        client.on_connect, client.on_subscribe = self._on_connect, self._on_subscribe
        client.on_disconnect, client.on_pre_connect = self._on_disconnect, self._on_pre_connect
        client.connect_async(self._settings.host, self._settings.port, KEEP_ALIVE_S, **_asked(is_five))
        self._client = client
        self._link = Link(
            client,
            wiring=Wiring(self._tls),
            arrived=self._arrived,
            failed=self._not_reached,
            first_retry_s=self._first_retry_s,
            may_read=self._may_read,
        )
        self._link.start()

    def _fall_back(self, link: Link) -> None:
        link.stop()
        if self._link is link:
            self._begin(MQTTProtocolVersion.MQTTv311)

    def _next_generation(self) -> None:
        with self._guard:
            self._generation += 1
            self._counters["packs_unacknowledged"] = 0

    def _say_once(self, said: str) -> None:
        if said != self._said:  # once, however often it is tried
            self._said = said
            _LOG.warning("broker %s:%d: %s", self._settings.host, self._settings.port, said)

    # what paho and the link call, in the link's thread

    def _on_pre_connect(self, _client: mqtt.Client, _data: Any) -> None:
        self._next_generation()

    def _on_connect(
        self,
        client: mqtt.Client,
        _data: Any,
        flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        is_old = reason.value == OLD_VERSION and client.protocol == MQTTProtocolVersion.MQTTv5
        if is_old and not self._settings.collector:  # several need a broker that shares, which 3.1.1 cannot
            self._say_once("it speaks MQTT 3.1.1 alone; so do we")
            threading.Thread(target=self._fall_back, args=(self._link,), daemon=True).start()
            return
        if reason.is_failure:
            self._counters["refused_connects"] += 1
            self._say_once(f"refused us as user {self._settings.user!r:.40}: {reason}")
            return
        self._next_generation()
        self._said = ""
        _LOG.info("broker %s:%d: connected", self._settings.host, self._settings.port)
        client.subscribe(_wanted(client, self._filters()))
        if not self._hears_states:
            client.unsubscribe(STATUS)  # the kept session may have it from a turn before
        if not (self._has_told and flags.session_present):
            self._tell_all()

    def _not_reached(self) -> None:
        self._say_once("cannot be reached, or its certificate is not of our authority; it is tried again")

    def _on_disconnect(
        self, _client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _more: Properties | None
    ) -> None:
        # before paho throws away what it had not sent: then nothing of an old connection can follow
        self._next_generation()
        if self._counters["connections"] and not self._is_held:
            self._say_once(f"the connection ended: {reason}")
        self._counters["connections"] = 0

    def _on_subscribe(
        self, _client: mqtt.Client, _data: Any, _mid: int, reasons: list[ReasonCode], _more: Any
    ) -> None:
        for reason in reasons:
            if reason.is_failure:
                _LOG.error("the broker does not let us read all: %s (hangtrue broker files)", reason)
        self._counters["connections"] = 1  # who waits for it may count on what is published from now on

    def _may_read(self) -> bool:
        now_s, is_full = time.monotonic(), self._queue.is_full()
        self._full_since_s = min(self._full_since_s, now_s) if is_full else float("inf")
        self._leaves = now_s - self._full_since_s >= self._unread_s
        return self._leaves or not is_full

    def _arrived(self, lot: Sequence[Came]) -> None:
        """Put a lot in line, with one look at the clock, for it is but what one read gave."""
        if self._is_held:
            return
        now_ms, generation = self._clock_ms(), self._generation
        if self._leaves:  # what is left comes again
            self._counters["packs_dropped"] += sum([not one.packet_id for one in lot])
            self._is_behind = self._is_behind or any(one.packet_id for one in lot)
            return
        offers: list[Offer] = []
        for topic, payload, packet_id, retain, properties in lot:
            token = Receipt(generation, packet_id) if packet_id else None
            if not retain:
                offers.append(Offer(topic, payload, now_ms, token, properties=properties or None))
            elif (said_ms := self._said_ms(topic, payload, now_ms)) is not None:
                offers.append(
                    Offer(topic, payload, said_ms, token, retain=True, properties=properties or None)
                )
            elif token is not None and self._link is not None:
                self._link.acknowledge([packet_id])
        with self._guard:  # the writer counts down
            self._counters["packs"] += len(offers)
            self._counters["packs_unacknowledged"] += sum([one.token is not None for one in offers])
            self._counters["retained_readings"] += sum(
                [one.retain and leaf_of(one.topic) != "status" for one in offers]
            )
        self._queue.offer_all(offers)

    def _said_ms(self, topic: str, payload: bytes, now_ms: int) -> int | None:
        """When a retained word was said: a state not now, but as it tells, or None if it does not."""
        if leaf_of(topic) != "status":
            return now_ms
        try:
            said = json.loads(payload)
        except (ValueError, RecursionError):
            return now_ms
        if not isinstance(said, dict) or said.get("st") == "gone":
            return now_ms
        return min(said["t"], now_ms) if type(said.get("t")) is int else None

    def _filters(self) -> list[str]:
        readings = SHARED if self._settings.collector else READINGS
        return [readings, STATUS] if self._hears_states else [readings]

    # under their locks

    def _acknowledge_due(self) -> None:
        current = [one.packet_id for one in self._due if self._is_current(one)]
        self._counters["stale_answers"] += len(self._due) - len(current)
        self._counters["packs_unacknowledged"] -= len(current)
        self._due.clear()
        if self._link is not None:
            self._link.acknowledge(current)

    def _is_current(self, receipt: Receipt) -> bool:
        return receipt.generation == self._generation

    def _tell_all(self) -> None:
        try:
            with self._telling:
                for value in self._downlinks():
                    self._tell(value)
            self._has_told = True
        except Exception as fault:  # noqa: BLE001  (the store's trouble; told at the next connection)
            _LOG.warning("the down-links could not be told again: %s", type(fault).__name__)

    def _tell(self, value: DownlinkValue) -> None:
        if self._client is not None and value.rev >= self._revs.get(value.topic, value.rev):
            self._revs[value.topic] = value.rev
            self._client.publish(value.topic, value.payload, qos=1, retain=True)


def _asked(is_five: bool) -> dict[str, Any]:
    if not is_five:
        return {}
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho has no types there
    properties.SessionExpiryInterval = SESSION_S
    properties.ReceiveMaximum = RECEIVE_MAXIMUM
    return {"clean_start": False, "properties": properties}


def _wanted(client: mqtt.Client, filters: Sequence[str]) -> list[Any]:
    if client.protocol != MQTTProtocolVersion.MQTTv5:
        return [(wanted, 1) for wanted in filters]
    if_new = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
    return [(wanted, if_new) for wanted in filters]


def _password(path: Path | None) -> str:
    asked = "connect to the broker"
    if path is None:
        raise SettingsError(asked, "intake.broker.password_file", "none")
    try:
        if path.stat().st_mode & 0o077:
            raise SettingsError(
                asked, f"{path} to be its owner's alone (chmod 600)", "one that others may read"
            )
        return path.read_text("utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        came = getattr(error, "strerror", None) or "bytes that are no text"
        raise SettingsError(asked, f"the password of the collector in {path}", came) from None


def _own_authority(path: Path) -> ssl.SSLContext:
    """Trust in this one authority: the chain and the broker's name are checked, TLS 1.2 at least."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_verify_locations(path)
    except (OSError, ssl.SSLError) as error:
        came = error.strerror or "no certificate" if not isinstance(error, ssl.SSLError) else "no certificate"
        raise SettingsError("connect to the broker", f"the authority's certificate in {path}", came) from None
    return context
