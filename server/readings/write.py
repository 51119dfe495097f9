"""The hot path into the store: readings, their instants, and the days they touch.

Everything here runs inside the caller's transaction and is idempotent: what is stored is never changed.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain

from sqlalchemy import Connection, select

from server.readings.copying import FEWEST, copy_new
from server.readings.tables import Instant

DAY_MS = 86_400_000
BLOCK = 400  # rows of one INSERT on SQLite; one size alone, so that one statement stays compiled
CLOCKS = ("utc", "drift", "none")

Row = tuple[int, int, float]  # channel, ms, value as sent


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Rows to store together: readings, and (journal id, seq, ms, clock) of the instants they belong to."""

    readings: Sequence[Row]
    instants: Sequence[tuple[int, int, int, int]]


@dataclass(frozen=True, slots=True)
class Shape:
    """A table as the hot path writes it: columns in order, with their types on PostgreSQL."""

    table: str
    columns: tuple[str, ...]
    types: tuple[str, ...]


_READING = Shape("reading", ("channel_id", "t_ms", "value"), ("bigint", "bigint", "double precision"))
_INSTANT = Shape("instant", ("journal_id", "seq", "t_ms", "clock"), ("bigint", "bigint", "bigint", "integer"))
_DIRTY = Shape("dirty_day", ("channel_id", "day", "touched"), ("bigint", "bigint", "bigint"))
_WITHOUT_NULLS = (_READING, _INSTANT)
_ROLLUP_COLUMNS = ("n", "mean", "m2", "low", "high", "first_ms", "last_ms", "calibration_id")
_ROLLUP_TYPES = ("integer", *["double precision"] * 4, "bigint", "bigint", "bigint")
ROLLUP_HOUR = Shape(
    "rollup_hour", ("channel_id", "hour", *_ROLLUP_COLUMNS), ("bigint", "bigint", *_ROLLUP_TYPES)
)
ROLLUP_DAY = Shape(
    "rollup_day", ("channel_id", "day", *_ROLLUP_COLUMNS), ("bigint", "bigint", *_ROLLUP_TYPES)
)
DAY_SHUT = Shape(
    "day_shut",
    ("channel_id", "day", "n", "median", "low", "high", "calibration_id"),
    ("bigint", "bigint", "integer", *["double precision"] * 3, "bigint"),
)
NOTHING = "ON CONFLICT DO NOTHING"
# not DO NOTHING: a day that is being rolled up in another transaction would lose its mark
_TOUCH = "ON CONFLICT (channel_id, day) DO UPDATE SET touched = excluded.touched"


def insert_new(connection: Connection, batch: Batch) -> tuple[int, int]:
    """Store what is not stored yet; give how many readings and instants were new."""
    return (
        insert_rows(connection, _READING, batch.readings, NOTHING),
        insert_rows(connection, _INSTANT, batch.instants, NOTHING),
    )


def mark_dirty(connection: Connection, days: Iterable[tuple[int, int]], *, touched_ms: int) -> None:
    """Mark (channel, day) pairs as to be rolled up anew."""
    rows = [(channel, day, touched_ms) for channel, day in sorted(set(days))]
    insert_rows(connection, _DIRTY, rows, _TOUCH)


def days_of(readings: Sequence[Row]) -> set[tuple[int, int]]:
    """The (channel, day) pairs that these readings touch."""
    if readings and readings[0][1] // DAY_MS == readings[-1][1] // DAY_MS:
        day = readings[0][1] // DAY_MS
        begin, end = day * DAY_MS, (day + 1) * DAY_MS
        moments = {ms for _, ms, _ in readings}
        if begin <= min(moments) and max(moments) < end:
            return {(channel, day) for channel in {channel for channel, _, _ in readings}}
    return {(channel, ms // DAY_MS) for channel, ms, _ in readings}


def stored_instants(
    connection: Connection, journal_id: int, first: int, last: int
) -> dict[int, tuple[int, str]]:
    """Stamp, ms, and clock of each stored instant from `first` to `last`, by sequence number."""
    rows = connection.execute(
        select(Instant.seq, Instant.t_ms, Instant.clock).where(
            Instant.journal_id == journal_id, Instant.seq.between(first, last)
        )
    )
    return {seq: (t_ms, CLOCKS[clock]) for seq, t_ms, clock in rows}


def stored_values(connection: Connection, keys: Iterable[tuple[int, int]]) -> dict[tuple[int, int], float]:
    """The value stored under each of these reading keys (channel, ms) that has one."""
    return _stored(connection, _READING, sorted(set(keys)))


def stored_stamps(connection: Connection, keys: Iterable[tuple[int, int]]) -> dict[tuple[int, int], int]:
    """The stamp, ms, stored under each of these instant keys (journal id, seq) that has one."""
    return {key: int(ms) for key, ms in _stored(connection, _INSTANT, sorted(set(keys))).items()}


def _stored(
    connection: Connection, shape: Shape, keys: Sequence[tuple[int, int]]
) -> dict[tuple[int, int], float]:
    """The third column of each of these keys that is there."""
    found: dict[tuple[int, int], float] = {}
    for begin in range(0, len(keys), BLOCK):
        asked = keys[begin : begin + BLOCK]
        if connection.dialect.name == "postgresql":
            parts = tuple(list(part) for part in zip(*asked, strict=True))
            rows = connection.exec_driver_sql(_stored_sql(shape, 0), parts)
        else:
            rows = connection.exec_driver_sql(
                _stored_sql(shape, len(asked)), tuple(chain.from_iterable(asked))
            )
        found.update({(one, other): came for one, other, came in rows})
    return found


def insert_rows(
    connection: Connection, shape: Shape, rows: Sequence[tuple[float | None, ...]], conflict: str
) -> int:
    """Insert rows of a table; give how many were new or changed."""
    if not rows:
        return 0
    if connection.dialect.name == "postgresql":
        if conflict == NOTHING and shape in _WITHOUT_NULLS and len(rows) >= FEWEST:
            return copy_new(connection, shape.table, shape.columns, shape.types, rows)  # type: ignore[arg-type]  # no nulls
        columns = tuple(list(column) for column in zip(*rows, strict=True))
        return connection.exec_driver_sql(_unnest_sql(shape, conflict), columns).rowcount
    whole = len(rows) - len(rows) % BLOCK
    done = 0
    for begin in range(0, whole, BLOCK):
        flat = tuple(chain.from_iterable(rows[begin : begin + BLOCK]))
        done += connection.exec_driver_sql(_block_sql(shape, BLOCK, conflict), flat).rowcount
    if whole < len(rows):
        done += connection.exec_driver_sql(_block_sql(shape, 1, conflict), list(rows[whole:])).rowcount
    return done


@lru_cache
def _block_sql(shape: Shape, rows: int, conflict: str) -> str:
    marks = ",".join(["(" + ",".join("?" * len(shape.columns)) + ")"] * rows)
    columns = ",".join(shape.columns)
    return f"INSERT INTO {shape.table} ({columns}) VALUES {marks} {conflict}"  # noqa: S608  (names of our own tables)


@lru_cache
def _unnest_sql(shape: Shape, conflict: str) -> str:
    arrays = ", ".join(f"%s::{kind}[]" for kind in shape.types)
    columns = ",".join(shape.columns)
    return f"INSERT INTO {shape.table} ({columns}) SELECT * FROM unnest({arrays}) {conflict}"  # noqa: S608  (likewise)


@lru_cache
def _stored_sql(shape: Shape, keys: int) -> str:
    """Of `keys` keys as marks, or, for 0, of two arrays."""
    one, other, came = shape.columns[:3]
    given = (
        f"(VALUES {','.join(['(?,?)'] * keys)})"
        if keys
        else "(SELECT * FROM unnest(%s::bigint[], %s::bigint[]))"
    )
    return (
        f"WITH g(a, b) AS {given} SELECT r.{one}, r.{other}, r.{came} "  # noqa: S608  (names of our own tables)
        f"FROM g CROSS JOIN {shape.table} r WHERE r.{one} = g.a AND r.{other} = g.b"
    )
