"""Commands about the database: bring it to this version, and say what is in it."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from server.config import Settings

if TYPE_CHECKING:
    from sqlalchemy import Engine

AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON.")


@click.group()
def db() -> None:
    """The database: upgrade, check."""


@db.command("upgrade")
@AS_JSON
@click.pass_obj
def db_upgrade(settings: Settings, *, as_json: bool) -> None:
    """Bring the database to this version."""
    from server import schema

    with _reachable(settings):
        before, after = schema.upgrade(settings.database)
    if as_json:
        click.echo(json.dumps({"from": before, "to": after}))
    elif before == after:
        click.echo(f"the database is at revision {after} already")
    else:
        click.echo(
            f"the database went from {f'revision {before}' if before else 'no tables'} to revision {after}"
        )


@db.command("check")
@AS_JSON
@click.pass_obj
def db_check(settings: Settings, *, as_json: bool) -> None:
    """Say the database's revision and the rows of each table; refuse one of another version."""
    from server import schema
    from server.cli.opened import said_table
    from server.errors import StaleSchemaError

    with _reachable(settings) as engine:
        schema.check(engine)
        if others := schema.differences(engine):
            came = f"{len(others)} differences, the first: {others[0]!r:.80}"
            raise StaleSchemaError("check the database", "the tables of this version", came)
        revision, rows = schema.revision_of(engine), schema.row_counts(engine)
    if as_json:
        click.echo(json.dumps({"revision": revision, "rows": rows}))
        return
    click.echo(f"revision {revision}, as this version needs")
    click.echo(said_table(["table", "rows"], [[name, str(count)] for name, count in rows.items()]))


@contextmanager
def _reachable(settings: Settings) -> Iterator["Engine"]:
    from server.database import check_reachable, open_engine

    engine = open_engine(settings.database)
    try:
        if engine.dialect.name == "sqlite" and engine.url.database:
            Path(engine.url.database).parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        check_reachable(engine)
        yield engine
    finally:
        engine.dispose()
