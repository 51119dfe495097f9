"""The database, open for one command and closed after it."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from server.config import Settings

if TYPE_CHECKING:
    from sqlalchemy import Engine


@contextmanager
def opened(settings: Settings) -> Iterator["Engine"]:
    """The database of the settings, at this version; an empty one gets its tables.

    Raises SettingsError when it does not answer, StaleSchemaError when it needs `hangtrue db upgrade`.
    """
    from sqlalchemy.exc import OperationalError

    from server import schema
    from server.database import check_reachable, open_engine
    from server.errors import SettingsError

    engine = open_engine(settings.database)
    try:
        if engine.dialect.name == "sqlite" and engine.url.database:
            _make_folder(Path(engine.url.database).parent)
        check_reachable(engine)
        if schema.revision_of(engine) is None:
            schema.upgrade(settings.database)
        schema.check(engine)
        yield engine
    except OperationalError as error:
        came = str(error.orig).strip().splitlines()[0][:120]
        needed = "a database that answers"
        if "locked" in came:
            needed = "its turn to write: the service is busy, run it again in a minute"
        raise SettingsError("use the database", needed, came) from None
    finally:
        engine.dispose()


def _make_folder(folder: Path) -> None:
    from server.errors import SettingsError

    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        came = f"{folder}: {error.strerror}"
        raise SettingsError("use the database", "a folder that can be written", came) from None


def said_time(t_ms: int | None) -> str:
    """A moment for the console, in UTC to the minute."""
    from datetime import UTC, datetime

    return "never" if t_ms is None else f"{datetime.fromtimestamp(t_ms / 1000, UTC):%Y-%m-%d %H:%M} UTC"


def said_table(head: list[str], rows: list[list[str]]) -> str:
    """Columns as wide as their widest cell."""
    widths = [max(len(row[column]) for row in [head, *rows]) for column in range(len(head))]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in [head, *rows]
    ]
    return "\n".join(line.rstrip() for line in lines)
