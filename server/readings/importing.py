"""Readings from a file: a CSV read line by line, checked whole, and stored once however often it comes."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from difflib import get_close_matches
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Engine

from sensors.message.units import LIMITS, SECONDARY, SECONDARY_VERSION, to_primary
from server.errors import FileError
from server.readings.months import ensure_months
from server.readings.write import Batch, days_of, insert_new, mark_dirty, stored_values

HEADER = ["time", "channel", "value", "unit"]
LONGEST_LINE = 512
EARLIEST_MS = 946_684_800_000  # 2000-01-01
AHEAD_MS = 300_000
TOGETHER = 400
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
UNIX_MS = re.compile(r"\d{13}", re.ASCII)
MOMENT = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d", re.ASCII)
# A spreadsheet would run a cell that starts so; ours come with an apostrophe in front of it.
GUARDED = re.compile(r"'(?=[\s]*[=+\-@])")


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Where readings of a channel go: its row, and the unit that it keeps."""

    id: int
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """How the file is written: its decimal sign (`,` puts `;` between fields) and the zone of local times."""

    decimal: str = "."
    zone: ZoneInfo | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A reading of the file, in the unit that its channel keeps."""

    number: int
    text: str
    channel: str
    channel_id: int
    t_ms: int
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BadLine:
    """A line that cannot be stored, and why."""

    number: int
    text: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FileReadings:
    """What a file holds: readings that can be stored, lines that cannot, and how many are stored already."""

    lines: tuple[Line, ...]
    bad: tuple[BadLine, ...]
    known: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """The readings of one channel in a file."""

    channel: str
    readings: int
    first_ms: int
    last_ms: int


class _BadLineError(Exception):
    """Why a line cannot be read."""


def read_csv(
    lines: Iterable[str], *, where: str, channels: Mapping[str, Target], form: Form, now_ms: int
) -> FileReadings:
    """The readings of a CSV with the header `time,channel,value,unit`; `channels` by full name on the wire.

    Raises FileError when the first line is not that header.
    """
    numbered = enumerate((line.rstrip("\r\n") for line in lines), 1)
    between = ";" if form.decimal == "," else ","
    head = next(numbered, (1, ""))[1].removeprefix("\ufeff")
    if [cell.strip().strip('"').lower() for cell in head.split(between)] != HEADER:
        came = f"{where}:1 header: {head[:60]!r} came, {between.join(HEADER)} is needed"
        raise FileError(f"import {where}", "readings in the form that import knows", [came])
    good: list[Line] = []
    bad: list[BadLine] = []
    for number, text in numbered:
        if not text.strip():
            continue
        try:
            good.append(_line(number, text, channels, form, now_ms))
        except _BadLineError as why:
            bad.append(BadLine(number=number, text=text[:80], reason=str(why)))
    return _without_twins(good, bad)


def compared(connection: Connection, reading: FileReadings) -> FileReadings:
    """The file against the store: what is there is counted, what differs becomes a bad line."""
    new: list[Line] = []
    bad = list(reading.bad)
    known = 0
    for part in _parts(reading.lines):
        stored = stored_values(connection, [(line.channel_id, line.t_ms) for line in part])
        for line in part:
            value = stored.get((line.channel_id, line.t_ms))
            if value is None:
                new.append(line)
            elif value == line.value:
                known += 1
            else:
                bad.append(_bad(line, f"{line.value!r} came, {value!r} is stored for that moment"))
    return FileReadings(lines=tuple(new), bad=tuple(sorted(bad, key=lambda one: one.number)), known=known)


def store(engine: Engine, reading: FileReadings, *, now_ms: int) -> int:
    """Store the readings in one transaction and mark their days; give how many were new."""
    rows = [(line.channel_id, line.t_ms, line.value) for line in reading.lines]
    ensure_months(engine, (t_ms for _, t_ms, _ in rows), set())
    with engine.begin() as connection:
        new, _ = insert_new(connection, Batch(readings=rows, instants=()))
        mark_dirty(connection, days_of(rows), touched_ms=now_ms)
    return new


def counts(reading: FileReadings) -> list[Count]:
    """Readings, first and last time of each channel, by name."""
    moments: dict[str, list[int]] = {}
    for line in reading.lines:
        moments.setdefault(line.channel, []).append(line.t_ms)
    return [
        Count(channel=channel, readings=len(times), first_ms=min(times), last_ms=max(times))
        for channel, times in sorted(moments.items())
    ]


def _line(number: int, text: str, channels: Mapping[str, Target], form: Form, now_ms: int) -> Line:
    if len(text) > LONGEST_LINE or "\0" in text:
        raise _BadLineError(f"a line of at most {LONGEST_LINE} letters without NUL is needed")
    cells = [cell.strip().strip('"').strip() for cell in text.split(";" if form.decimal == "," else ",")]
    if len(cells) != len(HEADER):
        raise _BadLineError(f"{len(cells)} fields came, {len(HEADER)} are needed")
    moment, channel, value, unit = cells
    channel, unit = GUARDED.sub("", channel), GUARDED.sub("", unit)
    target = _target(channel, channels)
    return Line(
        number=number,
        text=text[:80],
        channel=channel,
        channel_id=target.id,
        t_ms=_moment_ms(moment, form, now_ms),
        value=_value(value, unit, target, form),
    )


def _target(channel: str, channels: Mapping[str, Target]) -> Target:
    if channel in channels:
        return channels[channel]
    near = get_close_matches(channel, channels, n=1)
    hint = f"; did you mean {near[0]}?" if near else ""
    raise _BadLineError(f"channel {_shown(channel)} is not enrolled{hint}")


def _value(text: str, unit: str, target: Target, form: Form) -> float:
    plain = text.replace(",", ".") if form.decimal == "," else text
    if not NUMBER.fullmatch(plain):
        raise _BadLineError(f"value {_shown(text)} is not a number with a decimal {form.decimal}")
    converted = to_primary(float(plain), unit, version=SECONDARY_VERSION)
    if converted is None:
        raise _BadLineError(f"unit {_shown(unit)} is none of {', '.join([*LIMITS, *SECONDARY])}")
    value, primary = converted
    if primary != target.unit:
        raise _BadLineError(f"unit {_shown(unit)} came, the channel keeps {target.unit}")
    low, high = LIMITS[primary]
    if not low <= value <= high:
        raise _BadLineError(f"{value:g} {primary} came, a value from {low:g} to {high:g} is needed")
    return value


def _moment_ms(text: str, form: Form, now_ms: int) -> int:
    if UNIX_MS.fullmatch(text):
        t_ms = int(text)
    else:
        since = _moment(text, form) - EPOCH
        t_ms = (since // timedelta(microseconds=1) + 500) // 1000
    if not EARLIEST_MS <= t_ms <= now_ms + AHEAD_MS:
        raise _BadLineError(f"time {_shown(text)} came, one from 2000-01-01 until now is needed")
    return t_ms


def _moment(text: str, form: Form) -> datetime:
    try:
        moment = datetime.fromisoformat(text) if MOMENT.match(text) else None
    except ValueError:
        moment = None
    if moment is None:
        needed = "a time such as 2026-03-01T12:00:00+00:00 or 13 digits of Unix milliseconds is needed"
        raise _BadLineError(f"time {_shown(text)} came, {needed}")
    if moment.tzinfo is not None:
        return moment
    if form.zone is None:
        raise _BadLineError(f"time {_shown(text)} has no offset, one is needed or --tz ZONE")
    return _local(text, moment, form.zone)


def _local(text: str, moment: datetime, zone: ZoneInfo) -> datetime:
    offsets = {moment.replace(tzinfo=zone, fold=fold).utcoffset() for fold in (0, 1)}
    if len(offsets) > 1:
        raise _BadLineError(f"time {_shown(text)} is in the hour when clocks change: write its offset")
    return moment.replace(tzinfo=timezone(offsets.pop() or timedelta()))


def _without_twins(good: Sequence[Line], bad: list[BadLine]) -> FileReadings:
    first: dict[tuple[int, int], Line] = {}
    for line in good:
        twin = first.setdefault((line.channel_id, line.t_ms), line)
        if twin.value != line.value:
            bad.append(
                _bad(line, f"{line.value!r} came, line {twin.number} has {twin.value!r} for that moment")
            )
    return FileReadings(lines=tuple(first.values()), bad=tuple(sorted(bad, key=lambda one: one.number)))


def _bad(line: Line, reason: str) -> BadLine:
    return BadLine(number=line.number, text=line.text, reason=reason)


def _parts(lines: Sequence[Line]) -> Iterable[Sequence[Line]]:
    return (lines[begin : begin + TOGETHER] for begin in range(0, len(lines), TOGETHER))


def _shown(text: str) -> str:
    return f"{text!r:.42}"
