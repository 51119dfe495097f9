"""A database of this version for a test, from what the migrations did once: a tenth of their time each.

A PostgreSQL schema is lent: what a test put into it goes, and the next has it, unless its shape was changed.
"""

import os
import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import cached_property
from itertools import count
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, event, make_url, text

from server.database import open_engine
from server.schema import upgrade
from tests.fakes.lent import Schema

POSTGRES = os.environ.get("HANGTRUE_TEST_POSTGRES", "")
ASKING = ("SELECT", "SHOW")
_NUMBERS = count()


@contextmanager
def own_schema(url: str, schema: str) -> Iterator[str]:
    """An empty schema of a PostgreSQL server, and all that is put aside beside it; gone at the end."""
    admin = open_engine(
        make_url(url).difference_update_query(["options"]).render_as_string(hide_password=False)
    )
    with admin.begin() as connection:
        connection.execute(text(f'CREATE SCHEMA "{schema}"'))
    options = {"options": f'-csearch_path="{schema}"'}
    try:
        yield make_url(url).update_query_dict(options).render_as_string(hide_password=False)
    finally:
        drop_schemas(admin, schema)
        admin.dispose()


def drop_schemas(admin: Engine, schema: str) -> None:
    """Drop a schema and those that were put aside under its name."""
    with admin.begin() as connection:
        asked = text("SELECT nspname FROM pg_namespace WHERE nspname = :a OR nspname LIKE :b")
        found = connection.execute(asked, {"a": schema, "b": f"{schema}\\_before\\_%"}).scalars().all()
        for name in found:
            connection.execute(text(f'DROP SCHEMA "{name}" CASCADE'))


class Made:
    """The migrations, gone through once of each kind: a file to copy, and statements to say again."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._left = folder, ExitStack()
        self._free: list[Schema] = []

    def close(self) -> None:
        """Drop what was lent."""
        self._left.close()

    @contextmanager
    def lent(self) -> Iterator[str]:
        """A PostgreSQL schema of this version with nothing in it."""
        schema = self._free.pop() if self._free else self._another()
        yield schema.url
        if schema.is_as_made_once_emptied():
            self._free.append(schema)

    def _another(self) -> Schema:
        # the process in its name: others of the same test run make theirs
        url = self._left.enter_context(own_schema(POSTGRES, f"lent_{os.getpid()}_{next(_NUMBERS)}"))
        self.say_again(url)
        return Schema(url)

    @cached_property
    def _file(self) -> Path:
        path = self._folder / "made.db"
        upgrade(f"sqlite:///{path}")
        return path

    @cached_property
    def _script(self) -> str:
        said: list[str] = []

        def hear(*told: Any) -> None:
            statement, parameters = told[2], told[3]
            if not statement.lstrip().startswith(ASKING):
                assert not parameters, statement
                said.append(statement)

        with own_schema(POSTGRES, f"made_{os.getpid()}") as url:
            event.listen(Engine, "before_cursor_execute", hear)
            upgrade(url)
            event.remove(Engine, "before_cursor_execute", hear)
        return ";\n".join(said)

    def copy_file(self, path: Path) -> None:
        """A SQLite file of this version at `path`."""
        shutil.copyfile(self._file, path)

    def say_again(self, url: str) -> None:
        """Bring an empty PostgreSQL schema to this version."""
        script, engine = self._script, open_engine(url)
        with engine.begin() as connection:
            # the driver's own cursor takes many statements at once, and leaves their % alone
            connection.connection.cursor().execute(script)
        engine.dispose()
