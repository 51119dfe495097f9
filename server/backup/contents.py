"""What a database holds, so that two can be compared: its revision, rows by table, and hashes of readings."""

from dataclasses import dataclass

from sqlalchemy import Connection, func, inspect, select, table, text

from server.readings.content import Hashes, differences, month_hashes
from server.schema import all_tables

# What is told to nodes is made anew from the rest, and holds passwords on their way; sessions begin anew.
LEFT_OUT = ("downlink", "session")


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """`readings`: channel id -> month such as 2026-01 -> SHA-256 over its readings."""

    revision: str | None
    rows: dict[str, int]
    readings: dict[int, dict[str, str]]


def contents_of(connection: Connection) -> Contents:
    """What the database holds as this connection sees it, all readings read."""
    present = set(inspect(connection).get_table_names())
    names = sorted(present & set(all_tables().tables))
    rows = {
        name: connection.execute(select(func.count()).select_from(table(name))).scalar_one() for name in names
    }
    revision = None
    if "alembic_version" in present:
        revision = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return Contents(
        revision=revision, rows=rows, readings=month_hashes(connection) if "reading" in present else {}
    )


def without_left_out(contents: Contents) -> Contents:
    """The contents as a back-up of them has them."""
    rows = {name: 0 if name in LEFT_OUT else count for name, count in contents.rows.items()}
    return Contents(revision=contents.revision, rows=rows, readings=contents.readings)


def unlike(wanted: Contents, found: Contents) -> list[str]:
    """What differs, as words: rows by table, and readings by channel and month. Empty where all is the same.

    Of another revision the rows are not compared: an upgrade may move them.
    """
    said = unlike_readings(wanted.readings, found.readings)
    if wanted.revision != found.revision:
        return said
    tables = sorted(wanted.rows.keys() | found.rows.keys())
    return [
        f"{wanted.rows.get(name)} rows of {name} are told, {found.rows.get(name)} are there"
        for name in tables
        if wanted.rows.get(name) != found.rows.get(name)
    ] + said


def unlike_readings(wanted: Hashes, found: Hashes) -> list[str]:
    """The channels and months whose readings differ, as words."""
    return [f"the readings of {place} differ" for place in differences(wanted, found)]
