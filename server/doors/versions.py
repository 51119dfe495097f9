"""What a door was, version by version, and the hung line of each: kept as it was, never overwritten."""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.doors.built import BuiltDoor, from_json, to_json
from server.doors.tables import DoorVersionRow, HungLineRow

HUNG = "hung"
DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlap:
    """A new gauge beside the one that it replaces: on how many days both read, and what it reads more.

    `by_mm` and its standard deviation are None where the two cannot be tied: too few days, or read unlike.
    """

    replaces: str
    days: int
    by_mm: float | None
    sd_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeZero:
    """A gauge on the days of a line: median of its daily medians, their spread, its calibration's id.

    `spread_mm` is 1.4826 times the median distance from that median; `calibration` None: none is kept.
    `tied`: it replaces another; where the two were tied `zero_mm` is what it would have read at that one's.
    """

    zero_mm: float
    spread_mm: float
    calibration: int | None
    tied: Overlap | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptLine:
    """A hung line as it was drawn: its days [start, stop) since 1970, and what the wood and air were then.

    `because`: `drawn`, or `calibrated` when a new calibration of a gauge made it be read anew.
    """

    because: str
    start_day: int
    stop_day: int
    good_days: int
    since_heard: bool
    gauges: Mapping[str, GaugeZero]
    moisture_pct: float | None
    temp_c: float | None
    rh_pct: float | None
    drawn: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Version:
    """A door as built from `from_ms` on, and why. `moved`: gauges that were set anew then.

    `line` is the one that counts, None before it is drawn; `id` 0 is of a door that is not in the register.
    """

    id: int = 0
    from_ms: int
    because: str
    built: BuiltDoor
    moved: tuple[str, ...] = ()
    line: KeptLine | None = None

    @property
    def day(self) -> int:
        """The day since 1970 on which it began."""
        return self.from_ms // DAY_MS


def versions_of(session: Session, door_id: int) -> tuple[Version, ...]:
    """A door's versions, oldest first. One that was put right on its own day is left out; its row stays."""
    rows = session.scalars(
        select(DoorVersionRow)
        .where(DoorVersionRow.door_id == door_id)
        .order_by(DoorVersionRow.from_ms, DoorVersionRow.id)
    ).all()
    last = {row.from_ms: row for row in rows}
    return tuple(_version(row, last_line(session, row.id)) for row in last.values())


def as_of(versions: tuple[Version, ...], t_ms: int) -> Version:
    """The version of that moment; the first one before it was hung."""
    begun = [one for one in versions if one.from_ms <= t_ms]
    return begun[-1] if begun else versions[0]


def keep_version(session: Session, door_id: int, one: Version, *, now: datetime) -> int:
    """Add a version of a door; give its id."""
    row = DoorVersionRow(
        door_id=door_id,
        from_ms=one.from_ms,
        because=one.because,
        moved=json.dumps(one.moved),
        built=to_json(one.built),
        added=now,
    )
    session.add(row)
    session.flush()
    return row.id


def lines_of(session: Session, version_id: int) -> tuple[KeptLine, ...]:
    """Every hung line that was kept of a version, oldest first."""
    query = select(HungLineRow).where(HungLineRow.version_id == version_id).order_by(HungLineRow.id)
    return tuple(_line(row) for row in session.scalars(query))


def last_line(session: Session, version_id: int) -> KeptLine | None:
    """The hung line of a version that counts; None before it is drawn."""
    lines = lines_of(session, version_id)
    return lines[-1] if lines else None


def keep_hung_line(session: Session, version_id: int, line: KeptLine) -> None:
    """Add a hung line to a version; those before it stay to be seen."""
    told = asdict(line)
    session.add(HungLineRow(version_id=version_id, **told | {"gauges": json.dumps(told["gauges"])}))
    session.flush()


def _version(row: DoorVersionRow, line: KeptLine | None) -> Version:
    return Version(
        id=row.id,
        from_ms=row.from_ms,
        because=row.because,
        built=from_json(row.built),
        moved=tuple(json.loads(row.moved)),
        line=line,
    )


def _line(row: HungLineRow) -> KeptLine:
    told = {name: getattr(row, name) for name in KeptLine.__slots__}
    gauges = {name: _zero(one) for name, one in json.loads(row.gauges).items()}
    return KeptLine(**told | {"gauges": gauges})


def _zero(kept: dict[str, Any]) -> GaugeZero:
    tied = kept.get("tied")
    return GaugeZero(**kept | {"tied": tied and Overlap(**tied)})
