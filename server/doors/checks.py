"""Feeler checks of a door's gauges: what was felt on a day, by whom, and how sure one is. Kept for good."""

import math
import statistics
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.doors.built import EDGE_KINDS, BuiltDoor
from server.doors.check_tables import FeelerCheckRow
from server.doors.names import name_fault
from server.doors.register import DoorHung
from server.errors import OutOfRangeError, SettingsError

FELT_KINDS = (*EDGE_KINDS, "shoulder")
# Conventions of this project: a gap that a gauge beside it could still read; sets of leaves that are sold.
MOST_MM, MOST_STEP_MM = 20.0, 0.1
# Three that differ by more were not felt at one mark. Source: sensors, section 15.
MOST_SPREAD_MM = 0.05
TIMES = 3
ROUNDING_MM = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class FeelerCheck:
    """What was felt beside one gauge, three times, mm. `enters` False: no leaf as thin as the three went in.

    `step_mm`: how fine the set of leaves is. `t_ms`: when it was felt; `added_ms`: when it was entered.
    """

    gauge: str
    t_ms: int
    values_mm: tuple[float, ...]
    step_mm: float
    enters: bool
    by: str
    added_ms: int

    @property
    def gap_mm(self) -> float:
        """The gap: the middle one of the three; of one that no leaf enters half of the thinnest leaf."""
        felt_mm = statistics.median(self.values_mm)
        return felt_mm if self.enters else felt_mm / 2

    @property
    def sd_mm(self) -> float:
        """Its doubt: half of the set's step by the root of three. Source: sensors, section 9.5.

        Where no leaf enters, the gap lies anywhere from nothing to the thinnest leaf: that leaf is the step.
        """
        width_mm = self.step_mm if self.enters else statistics.median(self.values_mm)
        return width_mm / 2 / math.sqrt(3)

    @property
    def spread_mm(self) -> float:
        """Largest less smallest of the three."""
        return max(self.values_mm) - min(self.values_mm)

    @property
    def is_sure(self) -> bool:
        """Whether the three agree; those that do not are kept, and nothing is judged by them."""
        return self.spread_mm <= MOST_SPREAD_MM + ROUNDING_MM


def felt_gauges(built: BuiltDoor) -> tuple[str, ...]:
    """The gauges beside which a feeler goes in: at an edge of the leaf or at a shoulder."""
    return tuple(gauge.channel for gauge in built.gauges if gauge.kind in FELT_KINDS)


def add_check(session: Session, door: DoorHung, check: FeelerCheck, *, now: datetime) -> None:
    """Keep a feeler check of a door.

    Raises SettingsError for a gauge that no feeler reaches, a count that is not three, or a name that cannot
    be used; OutOfRangeError for a gap or a step that cannot be.
    """
    asked = f"keep a feeler check of {door.ref}"
    known = felt_gauges(door.built)
    if check.gauge not in known:
        needed = f"a gauge at an edge or a shoulder: {', '.join(known) or 'this door has none'}"
        raise SettingsError(asked, needed, f"{check.gauge!r:.40}")
    if len(check.values_mm) != TIMES:
        raise SettingsError(asked, "the gap felt three times, in mm", f"{len(check.values_mm)} values")
    for value_mm in check.values_mm:
        if not 0 < value_mm <= MOST_MM:
            raise OutOfRangeError(asked, f"gaps over 0 and up to {MOST_MM:g} mm", f"{value_mm:g}")
    if not 0 < check.step_mm <= MOST_STEP_MM:
        needed = f"leaves that differ by more than 0 and up to {MOST_STEP_MM:g} mm"
        raise OutOfRangeError(asked, needed, f"{check.step_mm:g}")
    if fault := name_fault(check.by):
        raise SettingsError(f"{asked}, by whom", fault, f"{check.by!r:.40}")
    first_mm, second_mm, third_mm = check.values_mm
    session.add(
        FeelerCheckRow(
            door_id=door.id,
            gauge=check.gauge,
            t_ms=check.t_ms,
            first_mm=first_mm,
            second_mm=second_mm,
            third_mm=third_mm,
            step_mm=check.step_mm,
            enters=check.enters,
            by=check.by,
            added=now,
        )
    )
    session.flush()


def checks_of(session: Session, door_id: int, *, before_ms: int | None = None) -> tuple[FeelerCheck, ...]:
    """A door's feeler checks, oldest first; `before_ms`: those felt before that moment."""
    chosen = FeelerCheckRow.door_id == door_id
    if before_ms is not None:
        chosen &= FeelerCheckRow.t_ms < before_ms
    rows = session.scalars(
        select(FeelerCheckRow).where(chosen).order_by(FeelerCheckRow.t_ms, FeelerCheckRow.id)
    )
    return tuple(
        FeelerCheck(
            gauge=row.gauge,
            t_ms=row.t_ms,
            values_mm=(row.first_mm, row.second_mm, row.third_mm),
            step_mm=row.step_mm,
            enters=row.enters,
            by=row.by,
            added_ms=round(row.added.timestamp() * 1000),
        )
        for row in rows
    )
