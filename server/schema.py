"""All tables together: bringing a database to this version, and checking that it is there."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Engine, MetaData, func, inspect, select, table

import server.alerts.delivery.tables
import server.alerts.tables
import server.auth.tables
import server.doors.bench_tables
import server.doors.check_tables
import server.doors.tables
import server.inspection.tables
import server.readings.tables
import server.trials.tables  # noqa: F401  (each import names its tables to the one MetaData)
from server.database import Base, open_engine
from server.errors import StaleSchemaError

if TYPE_CHECKING:
    from alembic.config import Config

LOCK = 7_481_202_611  # any number, the same in every hangtrue
MONTH = re.compile(r"reading_\d{4}_\d{2}")
UPGRADE_WAIT_MS = 60_000


def all_tables() -> MetaData:
    """Every table of every subject."""
    return Base.metadata


def is_ours(_item: object, name: str | None, kind: str, *_rest: object) -> bool:
    """Whether a comparison looks at this item: not at the months that `reading` is cut into on PostgreSQL."""
    return not (kind == "table" and name is not None and MONTH.fullmatch(name))


def upgrade(database_url: str) -> tuple[str | None, str]:
    """Bring the database to this version, in one transaction; give the revisions before and after.

    Two that start together take turns. Raises StaleSchemaError for a database that is newer than this
    version.
    """
    from alembic import command

    with _alone(database_url) as connection:
        before = _revision(connection)
        _refuse_newer(before)
        command.upgrade(_config(connection), "head")
        return before, head()


def downgrade(database_url: str, revision: str) -> None:
    """Take the database back to `revision`; `base` empties it. Readings that have no place there are lost."""
    from alembic import command

    with _alone(database_url) as connection:
        _refuse_newer(_revision(connection))
        command.downgrade(_config(connection), revision)


def differences(engine: Engine) -> list[Any]:
    """What the tables of the database lack or have over, against the tables of the code."""
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    with engine.connect() as connection:
        options = {"compare_type": True, "include_object": is_ours, "target_metadata": all_tables()}
        return list(compare_metadata(MigrationContext.configure(connection, opts=options), all_tables()))


def check(engine: Engine) -> None:
    """Raise StaleSchemaError unless the database is at this version."""
    current = revision_of(engine)
    _refuse_newer(current)
    if current != head():
        needed = f"revision {head()}: run hangtrue db upgrade"
        raise StaleSchemaError("open the database", needed, f"revision {current}" if current else "no tables")


def is_older(engine: Engine) -> bool:
    """Whether an upgrade would change tables that are there."""
    current = revision_of(engine)
    return current is not None and current != head() and current in _revisions()


def revision_of(engine: Engine) -> str | None:
    """The revision of the database; None for one without tables."""
    with engine.connect() as connection:
        return _revision(connection)


def head() -> str:
    """The revision of this version."""
    return _revisions()[0]


def row_counts(engine: Engine) -> dict[str, int]:
    """Rows of each table, by name."""
    with engine.connect() as connection:
        present = set(inspect(connection).get_table_names())
        names = sorted(present & set(all_tables().tables))
        return {
            name: connection.execute(select(func.count()).select_from(table(name))).scalar_one()
            for name in names
        }


def _revisions() -> list[str]:
    from alembic.script import ScriptDirectory

    return [script.revision for script in ScriptDirectory(_location()).walk_revisions()]


def _refuse_newer(current: str | None) -> None:
    if current is not None and current not in _revisions():
        needed = f"revision {head()} or older: install the version that made it"
        raise StaleSchemaError("open the database", needed, f"revision {current}, which is newer")


def _revision(connection: Connection) -> str | None:
    from alembic.migration import MigrationContext

    return MigrationContext.configure(connection).get_current_revision()


def _location() -> str:
    return str(files("server.migrations"))


def _config(connection: Connection) -> "Config":
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", _location().replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


@contextmanager
def _alone(database_url: str) -> Iterator[Connection]:
    engine = open_engine(database_url)
    try:
        with engine.connect().execution_options(immediate=True) as connection:
            if engine.dialect.name == "sqlite":
                raw: Any = connection.connection
                raw.execute(f"PRAGMA busy_timeout={UPGRADE_WAIT_MS}")
            with connection.begin():
                if engine.dialect.name == "postgresql":
                    connection.execute(select(func.pg_advisory_xact_lock(LOCK)))
                yield connection
    finally:
        engine.dispose()
