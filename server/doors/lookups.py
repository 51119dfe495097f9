"""What the service asks of the nodes: whose a key is, and which channels each tracked node carries."""

from dataclasses import dataclass
from datetime import datetime
from zlib import crc32

from sqlalchemy import select
from sqlalchemy.orm import Session

from sensors.message.statement import ChannelSetting, Config, write_config
from server.doors.tables import Channel, Node, Site
from server.errors import UnknownNodeError


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeChannels:
    """A tracked node, `site/node`, and its channels in order of enrolment: short name, unit, decimals."""

    ref: str
    upload_s: int
    channels: tuple[tuple[str, str, int], ...]


SAMPLE_S, BACKFILL_PACKS = 600, 30


def config_of(node: NodeChannels, *, rev: int) -> bytes:
    """The `config` message of a node (it has channels).

    After a power cut its first upload waits a share of the hour of its own: not all come back at once.
    """
    settings = tuple(
        ChannelSetting(name=name, unit=unit, decimals=decimals) for name, unit, decimals in node.channels
    )
    return write_config(
        Config(
            rev=rev,
            sample_s=SAMPLE_S,
            upload_s=node.upload_s,
            phase_s=crc32(node.ref.encode()) % node.upload_s,
            backfill=BACKFILL_PACKS,
            channels=settings,
            firmware_wanted=None,
        )
    )


def node_names(session: Session, node_id: int) -> tuple[str, str]:
    """Names of the site and the node with this key. Raises UnknownNodeError."""
    row = session.execute(select(Site.name, Node.name).join(Node).where(Node.id == node_id)).first()
    if row is None:
        raise UnknownNodeError("find a node", "the key of an enrolled node", str(node_id))
    site, node = row
    return site, node


def tracked_nodes(session: Session, *, now: datetime) -> list[NodeChannels]:
    """Every tracked node that is in service and has channels.

    A gauge that was replaced is among them until the days on which both are to read are over.
    """
    chosen = (Node.kind == "tracked") & Node.retired.is_(None)
    nodes = session.execute(
        select(Node.id, Site.name, Node.name, Node.upload_s).join(Site).where(chosen).order_by(Node.id)
    )
    listed = [
        NodeChannels(
            ref=f"{site}/{node}", upload_s=upload_s, channels=_channels(session, key, f"{site}/{node}/", now)
        )
        for key, site, node, upload_s in nodes
    ]
    return [node for node in listed if node.channels]


def _channels(session: Session, node_id: int, prefix: str, now: datetime) -> tuple[tuple[str, str, int], ...]:
    is_heard = Channel.until.is_(None) | (Channel.until > now)
    rows = session.execute(
        select(Channel.name, Channel.unit, Channel.decimals)
        .where(Channel.node_id == node_id, is_heard)
        .order_by(Channel.id)
    )
    return tuple((name.removeprefix(prefix), unit, decimals) for name, unit, decimals in rows)
