"""Who is enrolled, kept in memory: nodes and their channels, looked up again when a stranger comes."""

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from sqlalchemy import Engine, select

from sensors.message.check import Channel
from sensors.message.fast import Table, fast_table
from sensors.message.names import topic
from server.doors.tables import Channel as ChannelRow
from server.doors.tables import Node, Site

LOOK_AGAIN_S, READ_AGAIN_S = 1.0, 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class EnrolledNode:
    """A node with its channels by wire name; `table` is the same for the fast check."""

    id: int
    site: str
    node: str
    ppm: int
    channels: Mapping[str, Channel]
    table: Table


class Enrolment:
    """The nodes in service. `by_topic` has them by the topic of each leaf that a node writes."""

    def __init__(self, engine: Engine, *, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._engine, self._monotonic = engine, monotonic
        self._read_s = -READ_AGAIN_S
        self._looked_s = -LOOK_AGAIN_S
        self.by_topic: dict[str, EnrolledNode] = {}
        self.by_id: dict[int, EnrolledNode] = {}
        self._by_name: dict[tuple[str, str], EnrolledNode] = {}

    def read(self) -> None:
        """Read all of it from the database."""
        nodes = _read(self._engine)
        self._read_s = self._monotonic()
        self._by_name = {(one.site, one.node): one for one in nodes}
        self.by_id = {one.id: one for one in nodes}
        self.by_topic = {
            topic(one.site, one.node, leaf): one for one in nodes for leaf in ("readings", "status")
        }

    def read_if_old(self) -> None:
        """Read it again when half a minute has passed."""
        if self._monotonic() - self._read_s >= READ_AGAIN_S:
            self.read()

    def look_again(self) -> bool:
        """Read it again for a stranger's sake, at most once a second; whether that was done."""
        if self._monotonic() - self._looked_s < LOOK_AGAIN_S:
            return False
        self._looked_s = self._monotonic()
        self.read()
        return True

    def channels(self, site: str, node: str) -> Mapping[str, Channel] | None:
        """The channels of this node by wire name; None for a stranger."""
        found = self._by_name.get((site, node))
        return None if found is None else found.channels


def _read(engine: Engine) -> list[EnrolledNode]:
    in_service = Node.retired.is_(None)
    with engine.connect() as connection:
        nodes = connection.execute(
            select(Node.id, Site.name, Node.name, Node.ppm).join(Site).where(in_service)
        ).all()
        channels: dict[int, dict[str, Channel]] = {node_id: {} for node_id, *_ in nodes}
        columns = (ChannelRow.node_id, ChannelRow.name, ChannelRow.id, ChannelRow.unit)
        for node_id, name, channel_id, unit in connection.execute(select(*columns)):
            if node_id in channels:
                channels[node_id][name] = Channel(id=channel_id, unit=unit)
    return [
        EnrolledNode(
            id=node_id,
            site=site,
            node=node,
            ppm=ppm,
            channels=channels[node_id],
            table=fast_table(channels[node_id]),
        )
        for node_id, site, node, ppm in nodes
    ]
