"""MQTT packets as frozen values; `version` 4 is MQTT 3.1.1, 5 is MQTT 5.0."""

from dataclasses import dataclass, field

from server.intake.properties import Properties, no_properties


@dataclass(frozen=True, slots=True, kw_only=True)
class Will:
    """What is published for a client whose connection ends without a farewell."""

    topic: str
    payload: bytes
    qos: int = 0
    retain: bool = False
    properties: Properties = field(default_factory=no_properties)


@dataclass(frozen=True, slots=True, kw_only=True)
class Connect:
    """The first packet of a client. `version`: 4 is MQTT 3.1.1, 5 is MQTT 5.0."""

    version: int
    client_id: str
    clean: bool = True
    keep_alive_s: int = 0
    will: Will | None = None
    user: str | None = None
    password: bytes | None = None
    properties: Properties = field(default_factory=no_properties)


@dataclass(frozen=True, slots=True, kw_only=True)
class Connack:
    """The answer to CONNECT. `code` is a return code of 3.1.1 or a reason code of 5.0."""

    session_present: bool = False
    code: int = 0
    properties: Properties = field(default_factory=no_properties)


@dataclass(frozen=True, slots=True, kw_only=True)
class Publish:
    """A message on a topic. `packet_id` is set for QoS 1 and 2."""

    topic: str
    payload: bytes = b""
    qos: int = 0
    retain: bool = False
    dup: bool = False
    packet_id: int | None = None
    properties: Properties = field(default_factory=no_properties)


@dataclass(frozen=True, slots=True, kw_only=True)
class Puback:
    """A QoS 1 message has arrived."""

    packet_id: int
    code: int = 0
    properties: Properties = field(default_factory=no_properties)


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """One wish of a SUBSCRIBE. `retain_handling`: 0 send retained, 1 only if new, 2 never."""

    topic: str
    qos: int = 0
    no_local: bool = False
    retain_as_published: bool = False
    retain_handling: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Subscribe:
    """Wishes for topics."""

    packet_id: int
    filters: tuple[Filter, ...]
    properties: Properties = field(default_factory=no_properties)


@dataclass(frozen=True, slots=True, kw_only=True)
class Suback:
    """The answer to SUBSCRIBE: one code a filter, in order."""

    packet_id: int
    codes: tuple[int, ...]
    properties: Properties = field(default_factory=no_properties)


@dataclass(frozen=True, slots=True, kw_only=True)
class Unsubscribe:
    """Filters to forget."""

    packet_id: int
    filters: tuple[str, ...]
    properties: Properties = field(default_factory=no_properties)


@dataclass(frozen=True, slots=True, kw_only=True)
class Unsuback:
    """The answer to UNSUBSCRIBE; `codes` in 5.0 alone."""

    packet_id: int
    codes: tuple[int, ...] = ()
    properties: Properties = field(default_factory=no_properties)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pingreq:
    """The client asks whether anyone is there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pingresp:
    """Somebody is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Disconnect:
    """A farewell; 3.1.1 knows the plain one of a client alone."""

    code: int = 0
    properties: Properties = field(default_factory=no_properties)


Packet = (
    Connect
    | Connack
    | Publish
    | Puback
    | Subscribe
    | Suback
    | Unsubscribe
    | Unsuback
    | Pingreq
    | Pingresp
    | Disconnect
)
