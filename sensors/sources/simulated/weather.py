"""A year of weather from a file: `time,t_c,rh_pct`, or the named columns of a TMY3 file."""

import csv
import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

from sensors.sources.simulated.errors import SimulationError, shown

TEMP_LIMITS_C = (-60.0, 60.0)
RH_LIMITS_PCT = (0.0, 100.0)
MOST_FILLED_H = 6
_HOUR = timedelta(hours=1)
_PLAIN = ("time", "t_c", "rh_pct")
_TMY3 = ("Dry-bulb (C)", "RHum (%)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """Outside air, hour by hour, to be repeated end to end.

    `first_hour` is the hour of the year of the first value; `notes` say in words which hours were filled.
    """

    first_hour: int
    temp_c: tuple[float, ...]
    rh_pct: tuple[float, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Row:
    line: int
    time: datetime
    temp_c: float
    rh_pct: float


def read_weather(path: Path | str) -> Weather:
    """The weather of a file: UTF-8, one row an hour, in order of time.

    `time` is ISO 8601 and is the start of its hour; one without an offset is taken as UTC. A TMY3 file
    (known by its first two lines) is stamped at the *end* of the hour, 24:00 belonging to the day it ends.
    At most 6 missing hours are filled, on a straight line.

    Raises SimulationError for a file that cannot be opened, a row that is no number or outside -60 to
    60 degrees C and 0 to 100 %, hours out of order, and a longer gap.
    """
    try:
        with Path(path).open(encoding="utf-8", newline="") as lines:
            rows = list(_rows(lines))
    except (OSError, UnicodeDecodeError) as error:
        raise SimulationError("weather file", "a text file that opens", shown(error)) from error
    if len(rows) < 24:
        raise SimulationError("weather file", "at least 24 hours", f"{len(rows)}")
    return _hourly(rows)


def _rows(lines: Iterator[str]) -> Iterator[_Row]:
    first = next(lines, "")
    header = [name.strip() for name in next(csv.reader([first]), [])]
    if tuple(header) == _PLAIN:
        yield from _plain_rows(lines)
        return
    header = [name.strip() for name in next(csv.reader([next(lines, "")]), [])]
    if not set(_TMY3) <= set(header):
        raise SimulationError(
            "weather file", "the header time,t_c,rh_pct or TMY3's columns on line 2", shown(first)
        )
    yield from _tmy3_rows(lines, header)


def _plain_rows(lines: Iterator[str]) -> Iterator[_Row]:
    for line, row in enumerate(csv.reader(lines), start=2):
        if len(row) != 3:
            raise SimulationError(f"line {line}", "time, temperature and humidity", f"{len(row)} fields")
        try:
            time = datetime.fromisoformat(row[0])
        except ValueError as error:
            raise SimulationError(f"line {line}: time", "ISO 8601", shown(row[0])) from error
        time = time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC)
        yield _Row(line, time, *_air(line, row[1], row[2]))


def _tmy3_rows(lines: Iterator[str], header: list[str]) -> Iterator[_Row]:
    """One nominal year: the months come from different years, so the year of a date is not used."""
    temp, rh = (header.index(name) for name in _TMY3)
    for line, row in enumerate(csv.reader(lines), start=3):
        try:
            month, day, _ = (int(part) for part in row[0].split("/"))
            hour = int(row[1].split(":")[0])
            time = datetime(2001, month, day, tzinfo=UTC) + (hour - 1) * _HOUR
            texts = row[temp], row[rh]
        except (ValueError, IndexError) as error:
            needed = "MM/DD/YYYY, HH:MM and the columns of the header"
            raise SimulationError(f"line {line}", needed, shown(",".join(row[:2]))) from error
        yield _Row(line, time, *_air(line, *texts))


def _air(line: int, temp: str, rh: str) -> tuple[float, float]:
    return (
        _number(f"line {line}: temperature", temp, TEMP_LIMITS_C),
        _number(f"line {line}: humidity", rh, RH_LIMITS_PCT),
    )


def _number(asked: str, text: str, limits: tuple[float, float]) -> float:
    low, high = limits
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise SimulationError(asked, f"a number in {low:g} to {high:g}", shown(text))
    return value


def _hourly(rows: list[_Row]) -> Weather:
    temps, rhs, notes = [rows[0].temp_c], [rows[0].rh_pct], []
    for before, row in pairwise(rows):
        hours, rest = divmod(row.time - before.time, _HOUR)
        if hours < 1 or rest:
            raise SimulationError(f"line {row.line}: time", "whole hours, in order", row.time.isoformat())
        if hours - 1 > MOST_FILLED_H:
            missing = f"{hours - 1} h missing after {before.time.isoformat()}"
            raise SimulationError(f"line {row.line}", f"gaps of at most {MOST_FILLED_H} h", missing)
        if hours > 1:
            notes.append(f"{hours - 1} h missing after {before.time.isoformat()}; filled")
        for step in range(1, hours + 1):
            temps.append(before.temp_c + (row.temp_c - before.temp_c) * step / hours)
            rhs.append(before.rh_pct + (row.rh_pct - before.rh_pct) * step / hours)
    first = rows[0].time
    first_hour = (first.timetuple().tm_yday - 1) * 24 + first.hour
    return Weather(first_hour=first_hour, temp_c=tuple(temps), rh_pct=tuple(rhs), notes=tuple(notes))
