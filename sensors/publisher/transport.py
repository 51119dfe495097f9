"""The connection to the collector: paho, MQTT 5 or 3.1.1, its callbacks turned into events in a queue."""

import queue
import ssl
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from sensors.config import LOOPBACK, Broker, NodeError
from sensors.message.names import client_id
from sensors.publisher.passwords import Login

MESSAGES = {"taken", "word"}
KEEP_ALIVE_S, SESSION_S, CONNECT_S = 60, 604_800, 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """What came: `connected`, `refused`, `lost`, `taken` (a PUBACK for `mid`) or `word` (a message)."""

    kind: str
    mid: int = 0
    reason: str = ""
    topic: str = ""
    payload: bytes = b""
    retained: bool = False


class Transport(Protocol):
    """What the publisher asks of a connection. Events come through `next_event`."""

    def connect(self) -> None:
        """Try to connect; the outcome comes as an event."""
        ...

    def use(self, user: str, password: str) -> None:
        """Leave without a word, to connect as this user: no event tells of it."""
        ...

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> int:
        """Send at QoS 1; give the message's number, which `taken` will name."""
        ...

    def next_event(self, wait_s: float) -> Event | None:
        """The next event, or None after `wait_s`."""
        ...

    def close(self) -> None:
        """Leave in order: no will is published."""
        ...


class PahoTransport:
    """A connection by paho: one client throughout, so what is in flight goes again under its own number.

    Raises NodeError for a host off this computer without the site's certificate, or one that is none.
    """

    def __init__(
        self,
        broker: Broker,
        *,
        site: str,
        node: str,
        login: Login,
        will: tuple[str, bytes],
        words: list[str],
    ) -> None:
        self._broker, self._words = broker, words
        self._events: queue.Queue[Event] = queue.Queue()
        self._is_five = broker.protocol == "5"
        version = MQTTProtocolVersion.MQTTv5 if self._is_five else MQTTProtocolVersion.MQTTv311
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id(site, node),
            protocol=version,
            clean_session=None if self._is_five else False,
            reconnect_on_failure=False,
        )
        self._client.username_pw_set(login.user, login.password)
        if broker.ca_file:
            self._client.tls_set_context(own_authority(Path(broker.ca_file)))
        elif broker.host not in LOOPBACK:
            raise NodeError("connect", "ca_file, the site's certificate, off this computer", "none")
        self._client.will_set(will[0], will[1], qos=1, retain=True)
        self._client.connect_timeout = CONNECT_S
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_publish = self._on_publish
        self._client.on_message = self._on_message
        self._was_connected = False

    def connect(self) -> None:
        """Try to connect; the outcome comes as an event."""
        self._client.loop_stop()
        try:
            self._client.connect(self._broker.host, self._broker.port, KEEP_ALIVE_S, **self._asked())
        except (OSError, ssl.SSLError, ValueError) as error:
            self._events.put(Event(kind="lost", reason=str(error) or type(error).__name__))
            return
        self._client.loop_start()

    def use(self, user: str, password: str) -> None:
        """Leave without a word, to connect as this user: no event tells of it."""
        self._client.on_disconnect = None
        self._client.disconnect()
        self._client.loop_stop()
        self._client.on_disconnect = self._on_disconnect
        self._client.username_pw_set(user, password)
        waiting = [self._events.get_nowait() for _ in range(self._events.qsize())]
        for event in waiting:
            if event.kind in MESSAGES:  # not the fate of a connection that is left: it is another's word
                self._events.put(event)

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> int:
        """Send at QoS 1; give the message's number."""
        return self._client.publish(topic, payload, qos=1, retain=retain).mid

    def next_event(self, wait_s: float) -> Event | None:
        """The next event, or None after `wait_s`."""
        try:
            return self._events.get(timeout=max(wait_s, 0.001))
        except queue.Empty:
            return None

    def close(self) -> None:
        """Leave in order."""
        self._client.disconnect()
        self._client.loop_stop()

    def _asked(self) -> dict[str, Any]:
        if not self._is_five:
            return {}
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho has no types there
        properties.SessionExpiryInterval = SESSION_S
        properties.ReceiveMaximum = 4
        return {"clean_start": False, "properties": properties}

    def _on_connect(
        self, client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        if reason.is_failure:
            self._events.put(Event(kind="refused", reason=str(reason)))
            return
        client.subscribe([(topic, 1) for topic in self._words])
        self._events.put(Event(kind="connected"))

    def _on_disconnect(
        self,
        _client: mqtt.Client,
        _data: Any,
        _flags: Any,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._events.put(Event(kind="lost", reason=str(reason)))

    def _on_publish(
        self, _client: mqtt.Client, _data: Any, mid: int, reason: ReasonCode, properties: Properties | None
    ) -> None:
        said = str(getattr(properties, "ReasonString", "") or reason) if reason.is_failure else ""
        self._events.put(Event(kind="taken", mid=mid, reason=said))

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        event = Event(
            kind="word", topic=message.topic, payload=bytes(message.payload), retained=message.retain
        )
        self._events.put(event)


def own_authority(path: Path) -> ssl.SSLContext:
    """Trust in the site's authority and no other: chain and name are checked, TLS 1.2 at least.

    Raises NodeError for a file that holds no certificate.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_verify_locations(path)
    except ssl.SSLError:
        raise NodeError("connect", f"the site's certificate in {path}", "other text") from None
    except OSError as error:
        came = error.strerror or "an error"
        raise NodeError("connect", f"the site's certificate in {path}", came) from None
    return context
