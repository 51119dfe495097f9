"""A fleet's nights taken into a ledger of their own one after another, as by a service that ran all along.

A look from hanging folds past nights in silence and says what stands on its last. What each look found is
kept; here the service's own ledger takes it in, night by night, and raises what it would have raised then.
"""

import sqlite3
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, time
from pathlib import Path

from sqlalchemy.orm import Session

from server.alerts.ledger import Night, record
from server.database import open_engine, session_of
from server.doors.register import DoorHung, find_door
from server.inspection.results import findings_of, nights_since, scope_of
from server.inspection.values import Inspection
from server.schema import upgrade

LOOKED = (
    *("site", "node", "channel", "door", "door_version", "calibration", "event_mark", "alert_limit"),
    *("inspection", "finding", "said"),
)
AT_ONCE = 100  # nights of one commit


def copied(made: Path, into: Path, tables: Sequence[str]) -> None:
    """A new database at `into` with these tables of another, and nothing else."""
    into.unlink(missing_ok=True)
    upgrade(f"sqlite:///{into}")
    connection = sqlite3.connect(into, isolation_level=None)
    connection.execute("ATTACH ? AS made", (str(made),))
    connection.execute("BEGIN")
    for table in tables:
        columns = ", ".join(row[1] for row in connection.execute(f"PRAGMA made.table_info({table})"))
        connection.execute(f"INSERT INTO {table} ({columns}) SELECT {columns} FROM made.{table}")  # noqa: S608  (names of our benches)
    connection.execute("COMMIT")
    connection.close()


def told_each_night(looks: Path, into: Path, doors: Iterable[str]) -> None:
    """Make a database at `into` with the looks of another, and the alerts that each night would raise."""
    copied(looks, into, LOOKED)
    engine = open_engine(f"sqlite:///{into}")
    for name in doors:
        with session_of(engine) as session:
            door = find_door(session, name)
            slots = [slot for slot, _ in nights_since(session, scope_of(door.id), 0)]
        for first in range(0, len(slots), AT_ONCE):
            with session_of(engine) as session:
                for slot in slots[first : first + AT_ONCE]:
                    _tell(session, door, slot)
    engine.dispose()


def _tell(session: Session, door: DoorHung, slot: str) -> None:
    found = tuple(findings_of(session, scope_of(door.id), slot))
    at = datetime.combine(datetime.fromisoformat(slot), time(5), UTC)
    record(session, Inspection(findings=found), door=door, night=Night(slot=slot, at=at))
