"""A door with gauges, for tests of the readings."""

from collections.abc import Sequence
from datetime import UTC, datetime

from sqlalchemy import Engine

from server.database import session_of
from server.doors.tables import Channel, Door, Node, Site
from server.readings.months import ensure_months
from server.readings.write import Batch, Row, days_of, insert_new, mark_dirty

DAY = 86_400_000
JAN_1_MS = 1767225600000  # 2026-01-01
JAN_1 = JAN_1_MS // DAY
MADE = datetime(2025, 1, 1, tzinfo=UTC)


def put(engine: Engine, readings: Sequence[Row]) -> None:
    """Store readings and mark their days, as the collector does."""
    ensure_months(engine, (ms for _, ms, _ in readings), set())
    with session_of(engine) as session:
        insert_new(session.connection(), Batch(readings=readings, instants=()))
        mark_dirty(session.connection(), days_of(readings), touched_ms=1)


def hang(engine: Engine, units: Sequence[str], *, quantities: Sequence[str] = ()) -> list[int]:
    """Hang the north door with a gauge of each unit; the ids of their channels."""
    sizes = {"width_mm": 900.0, "height_mm": 2000.0, "thickness_mm": 45.0}
    texts = {
        "name": "north",
        "shown": "North",
        "species": "oak",
        "joint": "one deep tenon",
        "built": "{}",
    }
    ids: list[int] = []
    with session_of(engine) as session:
        session.add(site := Site(name="saltmarsh-yard", zone="Europe/London"))
        session.flush()
        node = Node(site_id=site.id, name="north", kind="tracked", upload_s=3600, enrolled=MADE)
        door = Door(site_id=site.id, hung=MADE, added=MADE, **sizes, **texts)
        session.add_all([node, door])
        session.flush()
        for place, unit in enumerate(units):
            quantity = quantities[place] if quantities else "gauge"
            words = {"quantity": quantity, "place": "", "decimals": 6, "since": MADE}
            name = f"saltmarsh-yard/north/gauge-{place}"
            session.add(channel := Channel(node_id=node.id, door_id=door.id, name=name, unit=unit, **words))
            session.flush()
            ids.append(channel.id)
    return ids
