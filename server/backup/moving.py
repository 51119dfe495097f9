"""Moving to another database: table after table in one transaction, then counts and hashes compared."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Engine, Table, func, insert, select, text

from server.backup.contents import Contents, contents_of, unlike
from server.backup.refusals import NotMovedError
from server.database import check_reachable, open_engine
from server.readings.content import each_reading
from server.readings.months import Month, ensure_months
from server.readings.write import Batch, insert_new
from server.schema import all_tables, check, row_counts, upgrade

ASKED = "move the database"
TOGETHER = 2000
Row = Mapping[str, Any]


def move(source: Engine, target_url: str) -> Contents:
    """Copy everything into an empty database; give what both hold.

    The caller holds the service's lock. Raises NotMovedError for a target with rows in it, and where counts
    or hashes differ: then the target holds nothing.
    """
    check(source)
    target = open_engine(target_url)
    try:
        check_reachable(target)
        upgrade(target_url)
        if full := sum(row_counts(target).values()):
            raise NotMovedError(ASKED, "an empty database to move to", f"one with {full} rows")
        with source.connect() as reading:
            return _moved(reading, target)
    finally:
        target.dispose()


def _moved(reading: Connection, target: Engine) -> Contents:
    known: set[Month] = set()
    with target.execution_options(immediate=True).begin() as writing:
        for table in all_tables().sorted_tables:
            if table.name == "reading":
                _move_readings(reading, writing, target, known)
            else:
                _move_table(reading, writing, table)
        if writing.dialect.name == "postgresql":
            _number_on(writing)
        wanted, found = contents_of(reading), contents_of(writing)
        if said := unlike(wanted, found):
            raise NotMovedError(ASKED, "the same rows on both sides", "; ".join(said)[:200])
    return wanted


def _move_table(reading: Connection, writing: Connection, table: Table) -> None:
    rows = reading.execution_options(yield_per=TOGETHER).execute(select(table)).mappings()
    own = _own_parent(table)
    if own is not None:
        for generation in _by_generation([dict(row) for row in rows], *own):
            writing.execute(insert(table), generation)
        return
    for part in rows.partitions():
        writing.execute(insert(table), [dict(row) for row in part])


def _move_readings(reading: Connection, writing: Connection, target: Engine, known: set[Month]) -> None:
    for channel, t_ms, value in each_reading(reading):
        moments = t_ms.tolist()
        # on PostgreSQL in a transaction of its own: a month that is made stays, and an empty one is no harm
        ensure_months(target, moments, known)
        rows = list(zip(channel.tolist(), moments, value.tolist(), strict=True))
        insert_new(writing, Batch(readings=rows, instants=()))


def _own_parent(table: Table) -> tuple[str, str] | None:
    """The column of a table that points to its own rows, and the column it points to."""
    for key in table.foreign_keys:
        if key.column.table is table:
            return key.parent.name, key.column.name
    return None


def _by_generation(rows: Sequence[Row], column: str, key: str) -> Iterator[list[dict[str, Any]]]:
    """Rows in such an order that each comes after the one it points to."""
    waiting = [dict(row) for row in rows]
    done: set[Any] = {None}
    while waiting:
        ready = [row for row in waiting if row[column] in done]
        if not ready:
            raise NotMovedError(ASKED, "every row to have its parent", f"{len(waiting)} rows without")
        yield ready
        done |= {row[key] for row in ready}
        waiting = [row for row in waiting if row[key] not in done]


def _number_on(writing: Connection) -> None:
    """Let PostgreSQL number new rows after those that came with their numbers."""
    for table in all_tables().sorted_tables:
        for column in table.primary_key.columns:
            asked = select(func.pg_get_serial_sequence(table.name, column.name))
            sequence = writing.execute(asked).scalar()
            if sequence is not None:
                top = writing.execute(select(func.max(column))).scalar()
                if top is not None:
                    writing.execute(text("SELECT setval(:name, :top)"), {"name": sequence, "top": top})
