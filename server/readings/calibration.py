"""Dated calibrations: how a raw reading becomes mm, degC or %. Never edited; the next one takes over."""

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from server.clock import Clock
from server.errors import AlreadyThereError, FileError
from server.readings import clock_fixes
from server.readings.tables import Calibration, Reading
from server.readings.write import DAY_MS, mark_dirty

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
KINDS = ("linear", "table")
WIDER = 0.1  # of the table's span, to each side, before a reading is beyond it
EARLIEST_MS, LATEST_MS = 1577836800000, 2**53 - 1  # 2020, as on the wire
METRES = ("linear", ((0.0, 1000.0),))  # a gauge that sends metres needs no record to be read in mm


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationRecord:
    """From `from_ms` on, readings of `channel` are read in `unit_out` by these coefficients.

    linear: ((offset, slope),): offset + slope * raw. table: ((raw, out), ...), raw ascending, straight
    between. sigma is the standard error of one reading in unit_out.
    """

    channel: str
    from_ms: int
    kind: str
    coefficients: tuple[tuple[float, float], ...]
    unit_out: str
    sigma: float
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibrated:
    """Calibrated values, and which of them lie beyond the calibrated span."""

    value: Floats
    beyond: Flags


@dataclass(frozen=True, slots=True, kw_only=True)
class Version:
    """A stored calibration: in force from `from_ms` until the next."""

    id: int | None
    from_ms: int
    kind: str
    coefficients: tuple[tuple[float, float], ...] = field(default=())


def apply(kind: str, coefficients: Sequence[tuple[float, float]], raw: Floats) -> Calibrated:
    """Raw readings, shape (n,), in the unit of the calibration.

    Outside a table the first or last piece is carried on; beyond the table widened by a tenth of its span
    the value is flagged.
    """
    if kind == "linear":
        offset, slope = coefficients[0]
        return Calibrated(value=offset + slope * raw, beyond=np.zeros(raw.shape, dtype=np.bool_))
    points = np.array([point for point, _ in coefficients])
    outs = np.array([out for _, out in coefficients])
    piece = np.clip(np.searchsorted(points, raw, side="right") - 1, 0, len(points) - 2)
    slope_at = np.diff(outs)[piece] / np.diff(points)[piece]
    margin = WIDER * (points[-1] - points[0])
    beyond = (raw < points[0] - margin) | (raw > points[-1] + margin)
    return Calibrated(value=outs[piece] + slope_at * (raw - points[piece]), beyond=beyond)


def read_records(text: str, *, where: str) -> list[CalibrationRecord]:
    """The records of a file: a JSON object, or an array of them. Raises FileError with every complaint."""
    try:
        root = json.loads(text)
    except ValueError as error:
        raise FileError(f"read the calibrations of {where}", "JSON", [f"{where}: {error}"]) from None
    records = root if isinstance(root, list) else [root]
    complaints = [f"{where}: no record in it"] if not records else []
    found: list[CalibrationRecord] = []
    for number, record in enumerate(records, 1):
        faults = _faults(record)
        complaints += [f"{where}, record {number}, {fault}" for fault in faults]
        if not faults:
            found.append(_record(record))
    if complaints:
        raise FileError(f"read the calibrations of {where}", "every record to be usable", complaints)
    return found


def add(session: Session, channel_id: int, record: CalibrationRecord, *, now: Clock) -> int:
    """Add a record to a channel and mark the days that it changes; give its id.

    Raises AlreadyThereError when another record of the channel begins at that time; the same one again
    changes nothing.
    """
    coefficients = json.dumps(_stored_form(record))
    same = (Calibration.channel_id == channel_id) & (Calibration.from_ms == record.from_ms)
    if (there := session.scalars(select(Calibration).where(same)).first()) is not None:
        if (there.kind, there.coefficients, there.unit_out) == (record.kind, coefficients, record.unit_out):
            return there.id
        needed = "a start at which no other record begins: records are not edited"
        raise AlreadyThereError("add a calibration", needed, f"{record.channel} from {record.from_ms} ms")
    begins = session.scalars(select(Calibration.from_ms).where(Calibration.channel_id == channel_id)).all()
    row = Calibration(
        channel_id=channel_id,
        from_ms=record.from_ms,
        kind=record.kind,
        coefficients=coefficients,
        unit_out=record.unit_out,
        sigma=record.sigma,
        note=record.note,
        made=now(),
    )
    session.add(row)
    session.flush()
    later = [begin for begin in begins if begin > record.from_ms]
    # the first record also ends the time in which the channel was read as sent
    start_ms = record.from_ms if begins else EARLIEST_MS
    _mark(session, channel_id, start_ms, min(later, default=LATEST_MS), now=now)
    return row.id


def _mark(session: Session, channel_id: int, start_ms: int, end_ms: int, *, now: Clock) -> None:
    day = Reading.t_ms - Reading.t_ms % DAY_MS
    fixes = clock_fixes.fixes_of_channel(session.connection(), channel_id)
    # a record holds from a right time on: what a drifting clock sent may be moved across it, or over midnight
    margin_ms = 0 if fixes is None else fixes.margin_ms
    begin_ms, stop_ms = start_ms - margin_ms, min(end_ms + margin_ms, LATEST_MS)
    chosen = (Reading.channel_id == channel_id) & (Reading.t_ms >= begin_ms) & (Reading.t_ms < stop_ms)
    days = session.execute(select(day).where(chosen).group_by(day)).scalars()
    touched = [
        (channel_id, one)
        for begin in days
        for one in range((begin - margin_ms) // DAY_MS, (begin + DAY_MS - 1 + margin_ms) // DAY_MS + 1)
    ]
    mark_dirty(session.connection(), touched, touched_ms=round(now().timestamp() * 1000))


def versions_of(session: Session, channel_id: int, unit: str) -> list[Version]:
    """The calibrations of a channel, oldest first; the channel's own unit when it has none."""
    chosen = select(Calibration).where(Calibration.channel_id == channel_id).order_by(Calibration.from_ms)
    rows = session.scalars(chosen).all()
    if not rows:
        kind, coefficients = METRES if unit == "m" else ("linear", ((0.0, 1.0),))
        return [Version(id=None, from_ms=0, kind=kind, coefficients=coefficients)]
    return [
        Version(
            id=row.id, from_ms=row.from_ms, kind=row.kind, coefficients=_read_form(row.kind, row.coefficients)
        )
        for row in rows
    ]


def calibrate(versions: Sequence[Version], ms: NDArray[np.int64], raw: Floats) -> tuple[Calibrated, Flags]:
    """Values of readings at `ms`, shape (n,), each by the version in force; and which have one at all.

    A reading from before the first version has no value: it is left out of `known`, and NaN.
    """
    place = np.searchsorted(np.array([one.from_ms for one in versions]), ms, side="right") - 1
    value, beyond = np.full(raw.shape, np.nan), np.zeros(raw.shape, dtype=np.bool_)
    for number in np.unique(place[place >= 0]):
        chosen = place == number
        made = apply(versions[number].kind, versions[number].coefficients, raw[chosen])
        value[chosen], beyond[chosen] = made.value, made.beyond
    return Calibrated(value=value, beyond=beyond), place >= 0


def _stored_form(record: CalibrationRecord) -> list[Any]:
    if record.kind == "linear":
        return list(record.coefficients[0])
    return [list(point) for point in record.coefficients]


def _read_form(kind: str, text: str) -> tuple[tuple[float, float], ...]:
    came = json.loads(text)
    return ((came[0], came[1]),) if kind == "linear" else tuple((point, out) for point, out in came)


def _record(record: dict[str, Any]) -> CalibrationRecord:
    came = record["coefficients"]
    pairs = [came] if record["kind"] == "linear" else came
    return CalibrationRecord(
        channel=record["channel"],
        from_ms=record["from_ms"],
        kind=record["kind"],
        coefficients=tuple((float(one), float(other)) for one, other in pairs),
        unit_out=record["unit_out"],
        sigma=float(_sigma(record)),
        note=record.get("note", ""),
    )


def _faults(record: Any) -> list[str]:
    if not isinstance(record, dict):
        return [f"an object is needed, {record!r:.40} came"]
    faults = [
        f"{key}: text is needed, {record.get(key)!r:.40} came"
        for key in ("channel", "unit_out")
        if not isinstance(record.get(key), str) or not record[key]
    ]
    if not isinstance(record.get("note", ""), str):
        faults.append(f"note: text is needed, {record['note']!r:.40} came")
    if type(record.get("from_ms")) is not int or not EARLIEST_MS <= record["from_ms"] <= LATEST_MS:
        faults.append(
            f"from_ms: milliseconds of 2020 or later are needed, {record.get('from_ms')!r:.40} came"
        )
    sigma = _sigma(record)
    if not _is_number(sigma) or sigma < 0:
        faults.append(f"sigma_mm: a number of 0 or more is needed, {sigma!r:.40} came")
    return faults + _coefficient_faults(record.get("kind"), record.get("coefficients"))


def _coefficient_faults(kind: Any, came: Any) -> list[str]:
    if kind not in KINDS:
        return [f"kind: linear or table is needed, {kind!r:.40} came"]
    if kind == "linear":
        fits = _is_pair(came) and came[1] != 0
        return [] if fits else [f"coefficients: an offset and a slope are needed, {came!r:.40} came"]
    is_table = isinstance(came, list) and len(came) > 1 and all(_is_pair(point) for point in came)
    if not is_table or any(after[0] <= before[0] for before, after in pairwise(came)):
        return [f"coefficients: two or more pairs, raw rising, are needed, {came!r:.40} came"]
    return []


def _sigma(record: dict[str, Any]) -> Any:
    return record.get("sigma_mm", record.get("sigma"))


def _is_pair(came: Any) -> bool:
    return isinstance(came, list) and len(came) == 2 and all(_is_number(one) for one in came)


def _is_number(came: Any) -> bool:
    return isinstance(came, int | float) and not isinstance(came, bool) and math.isfinite(came)
