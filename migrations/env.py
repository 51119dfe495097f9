"""Alembic's entry: same metadata and same names of constraints as the code."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Literal

from alembic import context
from sqlalchemy import Connection

from server.database import UtcDateTime, open_engine
from server.schema import all_tables, is_ours


def render_item(kind: str, item: object, _context: object) -> str | Literal[False]:
    """Migrations name only SQLAlchemy's own types: ours may change after the migration is written."""
    return "sa.DateTime(timezone=True)" if kind == "type" and isinstance(item, UtcDateTime) else False


@contextmanager
def connected() -> Iterator[Connection]:
    """The connection that `server.schema` hands over, or one to `alembic -x database=URL`."""
    if given := context.config.attributes.get("connection"):
        yield given
        return
    engine = open_engine(context.get_x_argument(as_dictionary=True)["database"])
    with engine.begin() as connection:
        yield connection
    engine.dispose()


with connected() as connection:
    context.configure(
        connection=connection,
        target_metadata=all_tables(),
        render_as_batch=True,
        render_item=render_item,
        compare_type=True,
        include_object=is_ours,
    )
    with context.begin_transaction():
        context.run_migrations()
