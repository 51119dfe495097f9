"""What each node is told of its work: how often to sample and send, and its channels."""

from sqlalchemy import Engine

from server.clock import Clock
from server.database import session_of
from server.doors.lookups import config_of, tracked_nodes
from server.intake.values import DownlinkValue
from server.readings.sessions import downlinks, put_downlink


def refresh_configs(engine: Engine, *, clock: Clock) -> list[DownlinkValue]:
    """Write the configs that differ from what nodes were last told, and give those."""
    changed: list[DownlinkValue] = []
    with session_of(engine) as session:
        for node in tracked_nodes(session, now=clock()):
            topic = f"hangtrue/v1/{node.ref}/config"
            told = {name: (payload, rev) for name, payload, rev in downlinks(session, [topic])}
            payload, rev = told.get(topic, (b"", 0))
            if payload == config_of(node, rev=rev):
                continue
            fresh = DownlinkValue(topic=topic, payload=config_of(node, rev=rev + 1), rev=rev + 1)
            put_downlink(session, topic, fresh.payload, rev=fresh.rev, now=clock())
            changed.append(fresh)
    return changed
