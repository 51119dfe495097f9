"""Passwords on their way to nodes: what `secret` tells each, and what of the down-links was cleared."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from sensors.message.names import topic
from sensors.message.secret import OVERLAP_MS, Secret, read_secret, write_secret
from sensors.message.statement import read_status
from server.database import reading_of
from server.doors.tables import Node, Site
from server.intake.topics import DOWN_LEAVES
from server.intake.values import DownlinkValue
from server.readings.sessions import put_downlink
from server.readings.tables import Downlink


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A node's change of password. `secret` None: the node has it, and what told it was cleared `changed`.

    `at_generation`: the one the node connected with when it last spoke, at `spoke_ms`.
    """

    node_id: int
    site: str
    node: str
    secret: Secret | None
    changed: datetime
    at_generation: int | None
    spoke_ms: int | None


def changes(session: Session) -> list[Change]:
    """Of each node in service that was ever told a new password, how far it is."""
    rows = session.execute(
        select(Node, Site.name).join(Site, Site.id == Node.site_id).where(Node.retired.is_(None))
    )
    nodes = {topic(site, node.name, "secret"): (site, node) for node, site in rows}
    told = session.scalars(select(Downlink).where(Downlink.topic.in_(nodes)).order_by(Downlink.topic))
    return [_change(*nodes[row.topic], row) for row in told]


def tell_secret(
    session: Session, names: tuple[str, str], *, generation: int, key: str, is_leak: bool, now: datetime
) -> Secret:
    """Make this the word on a node's `secret`: both passwords hold for seven days."""
    from_ms = round(now.timestamp() * 1000)
    secret = Secret(
        generation=generation, key=key, from_ms=from_ms, until_ms=from_ms + OVERLAP_MS, is_leak=is_leak
    )
    _put(session, topic(*names, "secret"), write_secret(secret), now)
    return secret


def clear_secret(session: Session, names: tuple[str, str], *, now: datetime) -> None:
    """Clear what is told on a node's `secret`: it has it, or it must not have it any more."""
    _put(session, topic(*names, "secret"), b"", now)


def clear_node(session: Session, names: tuple[str, str], *, now: datetime) -> None:
    """Clear all that was told to a node that is retired, and at a broker what it told last itself."""
    for leaf in (*DOWN_LEAVES, "status"):
        _put(session, topic(*names, leaf), b"", now)


def every_downlink(engine: Engine) -> list[DownlinkValue]:
    """Each down-link as it stands; an empty one was cleared."""
    with reading_of(engine) as session:
        rows = session.execute(
            select(Downlink.topic, Downlink.payload, Downlink.rev).order_by(Downlink.topic)
        )
        return [DownlinkValue(topic=name, payload=payload, rev=rev) for name, payload, rev in rows]


def secrets_and_clearings(session: Session) -> list[DownlinkValue]:
    """The down-links that other commands write: new passwords, and what was cleared."""
    chosen = Downlink.topic.endswith("/secret") | (Downlink.payload == b"")
    rows = session.execute(select(Downlink.topic, Downlink.payload, Downlink.rev).where(chosen))
    return [DownlinkValue(topic=name, payload=payload, rev=rev) for name, payload, rev in rows]


def _put(session: Session, name: str, payload: bytes, now: datetime) -> None:
    rev = session.scalar(select(Downlink.rev).where(Downlink.topic == name)) or 0
    put_downlink(session, name, payload, rev=rev + 1, now=now)
    session.flush()


def _change(site: str, node: Node, row: Downlink) -> Change:
    status = read_status(node.status.encode()) if node.status else None
    return Change(
        node_id=node.id,
        site=site,
        node=node.name,
        secret=read_secret(row.payload),
        changed=row.changed,
        at_generation=status.generation if status else None,
        spoke_ms=node.status_ms,
    )
