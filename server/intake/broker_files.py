"""The files of an outside broker, as mosquitto reads them: its configuration and its access list."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from server.intake.topics import DOWN_LEAVES, ROOT, UP_LEAVES

PACKET_BYTES = 20480
CONFIGURATION = """\
# Made by `hangtrue broker files`. Put it, or an include of it, into the broker's configuration.
# Written for mosquitto 2.0. A message above message_size_limit is refused in silence: see the guide.
per_listener_settings false
listener {port}{address}
{tls}allow_anonymous false
password_file {passwords}
acl_file {access}

persistence true
persistence_location {data}/
autosave_interval 60
max_queued_messages 100000
max_inflight_messages 2000
message_size_limit {packet_bytes}
persistent_client_expiration 60d
"""
TLS = """\
cafile {ca}
certfile {cert}
keyfile {key}
tls_version tlsv1.2
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeUser:
    """A credential of a node: whom the broker lets write and read which topics."""

    user: str
    site: str
    node: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Tls:
    """The broker's certificate, its key, and the authority that made it."""

    ca: Path
    cert: Path
    key: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the broker listens and keeps its things. `address` None: every address, which needs `tls`."""

    port: int
    passwords: Path
    access: Path
    data: Path
    address: str | None = None
    tls: Tls | None = None


def configuration(place: Place) -> str:
    """The broker's configuration: nothing without a password, kept queues, bounds above our own."""
    tls = place.tls
    return CONFIGURATION.format(
        port=place.port,
        address=f" {place.address}" if place.address else "",
        tls=TLS.format(ca=tls.ca, cert=tls.cert, key=tls.key) if tls else "",
        passwords=place.passwords,
        access=place.access,
        data=place.data,
        packet_bytes=PACKET_BYTES,
    )


def access_list(nodes: Iterable[NodeUser], *, collector: str) -> str:
    """One block a credential: a node writes and reads its own topics; the collector reads what comes."""
    blocks = [_node_block(node) for node in nodes]
    everyone = f"{ROOT}+/+/"
    rights = [
        ("read", "readings"),
        ("readwrite", "status"),  # it writes to clear the status of a node that was removed
        ("readwrite", "ack"),
        ("write", "config"),
        ("write", "secret"),
    ]
    lines = [f"topic {right} {everyone}{leaf}" for right, leaf in rights]
    return "\n".join([*blocks, f"user {collector}", *lines, ""])


def _node_block(node: NodeUser) -> str:
    own = f"{ROOT}{node.site}/{node.node}/"
    writes = [f"topic write {own}{leaf}" for leaf in UP_LEAVES]
    reads = [f"topic read {own}{leaf}" for leaf in DOWN_LEAVES]
    return "\n".join([f"user {node.user}", *writes, *reads])
