"""What the listener and the collector hand each other."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol


class Offer(NamedTuple):
    """A publication, as it came. A tuple, as `Taken` is, for so many are made.

    `token` goes back with the answer and is read by its maker alone; None asks for no answer.
    """

    topic: str
    payload: bytes
    arrival_ms: int
    token: object = None
    retain: bool = False
    properties: Mapping[str, object] | None = None


class Taken(NamedTuple):
    """An offer is committed: stored (`code` None) or held back under a refusal code of the wire."""

    token: object
    code: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DownlinkValue:
    """The newest word to a node on one topic. `rev` rises with each change of the topic."""

    topic: str
    payload: bytes
    rev: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Who a connection is. `role`: `node`, `collector`, `watch`; `site` and `node` are set for a node."""

    credential_id: int
    user: str
    role: str
    site: str | None = None
    node: str | None = None
    revoked: bool = False


@dataclass(slots=True, kw_only=True)
class SessionState:
    """A kept session of a client.

    `owner`: `site/node`, or the user of a credential without a node: a node keeps its session when its
    password changes. `filters`: topic filter -> granted QoS, + 8 with Retain As Published.
    `acknowledged` and `sent`: topic -> revision of the down-link that the client has confirmed, or that
    went out last.
    """

    client_id: str
    credential_id: int
    filters: dict[str, int] = field(default_factory=dict)
    acknowledged: dict[str, int] = field(default_factory=dict)
    until_ms: int = 0
    owner: str = ""
    sent: dict[str, int] = field(default_factory=dict)


class Directory(Protocol):
    """What the listener asks of the database. Called in worker threads, never on the loop."""

    def identify(self, user: str, password: bytes) -> Identity | None:
        """The identity of a user with this password, or None. Costs a key derivation when not remembered."""
        ...

    def load_session(self, client_id: str) -> SessionState | None:
        """The kept session, unless it ran out."""
        ...

    def save_session(self, state: SessionState) -> None:
        """Keep or renew a session."""
        ...

    def end_session(self, client_id: str) -> None:
        """Forget a session."""
        ...

    def downlinks(self, topics: Sequence[str]) -> list[DownlinkValue]:
        """The newest down-links of these exact topics."""
        ...

    def note_flooding(self, site: str, node: str) -> None:
        """Note that a node is paused because it sends too much."""
        ...

    def states(self) -> list[DownlinkValue]:
        """What each node last said of its state: all that is kept of what came with RETAIN. `rev` is 0."""
        ...


class Queue(Protocol):
    """What the listener asks of the collector; all calls are thread-safe."""

    def offer(self, offer: Offer) -> None:
        """Put one offer in line. Never blocks and never drops: watch `is_full`."""
        ...

    def offer_all(self, offers: Sequence[Offer]) -> None:
        """Put offers in line, all together."""
        ...

    def is_full(self) -> bool:
        """Whether the line is past its bound (offers or bytes), so that reading must pause."""
        ...

    def is_spent(self, owner: str) -> bool:
        """Whether a node, `site/node`, has had its day's readings, so that it must wait."""
        ...


Answer = Callable[[Sequence[Taken]], None]
Send = Callable[[Sequence[DownlinkValue]], None]
