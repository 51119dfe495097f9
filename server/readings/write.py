"""The hot path into the store: readings, their instants, and the days they touch.

Everything here runs inside the caller's transaction and is idempotent: what is stored is never changed.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain
from operator import itemgetter

from sqlalchemy import Connection, select

from server.readings.copying import FEWEST, copy_new
from server.readings.raw import rows_of, run, run_each
from server.readings.tables import Instant

DAY_MS = 86_400_000
BLOCK = 400  # rows of one statement on SQLite; of few sizes, so that each stays compiled
BLOCKS = (BLOCK, 40)  # of one INSERT; what is left over goes row by row
CLOCKS = ("utc", "drift", "none")
_CHANNEL, _T_MS = itemgetter(0), itemgetter(1)

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
ROLLUP_DAY = Shape(
    "rollup_day",
    ("channel_id", "day", "n", "mean", "m2", "low", "high", "first_ms", "last_ms", "calibration_id"),
    ("bigint", "bigint", "integer", *["double precision"] * 4, "bigint", "bigint", "bigint"),
)
DAY_SHUT = Shape(
    "day_shut",
    ("channel_id", "day", "n", "median", "low", "high", "calibration_id"),
    ("bigint", "bigint", "integer", *["double precision"] * 3, "bigint"),
)
NOTHING = "ON CONFLICT DO NOTHING"
# not DO NOTHING: a day that is being rolled up in another transaction would lose its mark; a row is locked
# even where WHERE leaves it as it is. Days are rolled up by the minute of their mark: one a minute will do.
# Source: PostgreSQL manual, INSERT, "ON CONFLICT Clause".
_TOUCH = (
    "ON CONFLICT (channel_id, day) DO UPDATE SET touched = excluded.touched "
    "WHERE dirty_day.touched / 60000 <> excluded.touched / 60000"
)


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


class Days:
    """The (channel, day) pairs that readings touch, gathered over a group."""

    def __init__(self) -> None:
        self._readings: dict[int, list[Sequence[Row]]] = {}  # by day; their channels are asked for once

    def add(self, readings: Sequence[Row], moments_ms: Sequence[int] | None = None) -> None:
        """Add those of some readings. `moments_ms`: their moments, each perhaps once, where known."""
        if not readings:
            return
        moments_ms = moments_ms or [*map(_T_MS, readings)]
        first, last = min(moments_ms) // DAY_MS, max(moments_ms) // DAY_MS
        if first == last:
            self._readings.setdefault(first, []).append(readings)
            return
        for row in readings:
            self._readings.setdefault(row[1] // DAY_MS, []).append((row,))

    def pairs(self) -> set[tuple[int, int]]:
        """The pairs."""
        return {
            (channel, day)
            for day, parts in self._readings.items()
            for channel in set(map(_CHANNEL, chain.from_iterable(parts)))
        }


def days_of(readings: Sequence[Row]) -> set[tuple[int, int]]:
    """The (channel, day) pairs that these readings touch."""
    days = Days()
    days.add(readings)
    return days.pairs()


def are_stored(connection: Connection, batch: Batch) -> bool:
    """Whether all of these rows are stored already, each as it is here."""
    return _are_stored(connection, _READING, batch.readings) and _are_stored(
        connection, _INSTANT, batch.instants
    )


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
            parts: tuple[object, ...] = tuple(list(part) for part in zip(*asked, strict=True))
            rows = rows_of(connection, _stored_sql(shape, 0), parts)
        else:
            rows = rows_of(connection, _stored_sql(shape, len(asked)), tuple(chain.from_iterable(asked)))
        found.update({(one, other): came for one, other, came in rows})
    return found


def _are_stored(connection: Connection, shape: Shape, rows: Sequence[tuple[float, ...]]) -> bool:
    if connection.dialect.name == "postgresql":
        if not rows:
            return True
        parts: tuple[object, ...] = tuple(list(part) for part in [*zip(*rows, strict=True)][:3])
        return bool(rows_of(connection, _same_sql(shape, 0), parts)[0][0] == len(rows))
    nobody = (None,) * len(shape.columns)  # equal to nothing, so that a smaller part needs no other statement
    for begin in range(0, len(rows), BLOCK):
        asked = rows[begin : begin + BLOCK]
        flat = (*chain.from_iterable(asked), *nobody * (BLOCK - len(asked)))
        if rows_of(connection, _same_sql(shape, BLOCK), flat)[0][0] != len(asked):
            return False
    return True


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
        return run(connection, _unnest_sql(shape, conflict), columns)
    done = begin = 0
    for size in BLOCKS:
        for end in range(begin + size, len(rows) + 1, size):
            flat = tuple(chain.from_iterable(rows[begin:end]))
            done += run(connection, _block_sql(shape, size, conflict), flat)
            begin = end
    if begin < len(rows):
        done += run_each(connection, _block_sql(shape, 1, conflict), rows[begin:])
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


@lru_cache
def _same_sql(shape: Shape, rows: int) -> str:
    """How many of `rows` rows as marks, or, for 0, of three arrays, are there with the same third column."""
    one, other, came = shape.columns[:3]
    marks = "(" + ",".join("?" * len(shape.columns)) + ")"
    names = "a, b, c, d"[: 3 * len(shape.columns) - 2]
    given = (
        f"g({names}) AS (VALUES {','.join([marks] * rows)})"
        if rows
        else f"g(a, b, c) AS (SELECT * FROM unnest(%s::bigint[], %s::bigint[], %s::{shape.types[2]}[]))"  # noqa: S608  (likewise)
    )
    return (
        f"WITH {given} SELECT count(*) FROM g CROSS JOIN {shape.table} r "  # noqa: S608  (names of our own tables)
        f"WHERE r.{one} = g.a AND r.{other} = g.b AND r.{came} = g.c"
    )
