"""Commands about the database: its version, what is in it, its back-ups, and moving it."""

import json
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from server.config import Settings

if TYPE_CHECKING:
    from sqlalchemy import Engine

AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON.")


@click.group()
def db() -> None:
    """The database: upgrade, check, back-up, restore, move, thin."""


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


@db.command("backup")
@click.argument("to", type=click.Path(file_okay=False, path_type=Path))
@click.option("--keep-all", is_flag=True, help="Remove no earlier back-up.")
@AS_JSON
@click.pass_context
def db_backup(ctx: click.Context, to: Path, *, keep_all: bool, as_json: bool) -> None:
    """Back up the database into a new folder under TO; the service may run on.

    It is called a back-up once it was read back whole. Of 7 days, 4 weeks and 12 months the last each stay.
    """
    from server.backup.making import Beside, back_up
    from server.backup.retention import prune
    from server.clock import utc_now

    settings: Settings = ctx.obj
    beside = Beside(
        config=ctx.find_root().params.get("config"), certificate=settings.state_dir / "ca" / "ca.pem"
    )
    with _reachable(settings) as engine:
        place, made = back_up(engine, to, now=utc_now(), beside=beside)
    gone = [] if keep_all else prune(to)
    readings = made.contents.rows["reading"]
    if as_json:
        said = {"folder": str(place), "sha256": made.sha256, "readings": readings}
        click.echo(json.dumps({**said, "gone": [path.name for path in gone]}))
        return
    click.echo(f"{place}: {readings} readings, read back whole")
    for path in gone:
        click.echo(f"{path.name} is removed: later ones stand for its day, week and month")


@db.command("verify")
@click.option("--all", "every", is_flag=True, help="Every day's rollup, not 200 drawn by chance.")
@click.option(
    "--backup", "folder", type=click.Path(file_okay=False, path_type=Path), help="A back-up's folder instead."
)
@AS_JSON
@click.pass_obj
def db_verify(settings: Settings, *, every: bool, folder: Path | None, as_json: bool) -> int:
    """Read the whole database, or a back-up, and say what is not as it must be."""
    rows, days, faults = _verified(settings, every=every) if folder is None else _checked(folder)
    if as_json:
        click.echo(json.dumps({"rows": rows, "days": days, "faults": faults}))
        return 1 if faults else 0
    click.echo(f"{rows['reading']} readings read; {days} days rolled up again and compared")
    for fault in faults:
        click.echo(fault)
    click.echo(f"{len(faults)} faults" if faults else "no fault")
    return 1 if faults else 0


@db.command("restore")
@click.argument("folder", metavar="FROM", type=click.Path(file_okay=False, path_type=Path))
@AS_JSON
@click.pass_obj
def db_restore(settings: Settings, folder: Path, *, as_json: bool) -> None:
    """Put the back-up FROM in the place of the database, which is put aside. The service must be stopped."""
    from server.backup.restoring import restore
    from server.clock import utc_now

    with _alone(settings, "restore the database"):
        done = restore(settings.database, folder, now=utc_now())
    if as_json:
        click.echo(json.dumps({"restored_to": done.manifest.made.isoformat(), "aside": done.aside}))
        return
    made = f"{done.manifest.made:%Y-%m-%d %H:%M}"
    click.echo(f"restored to {made} UTC; nodes will send again what they still hold")
    if done.aside is not None:
        click.echo(f"what stood before is kept: {done.aside}")


@db.command("move")
@click.argument("to_url")
@AS_JSON
@click.pass_obj
def db_move(settings: Settings, to_url: str, *, as_json: bool) -> None:
    """Copy everything into the empty database TO_URL and compare. The service must be stopped."""
    from server.backup.moving import move

    with _alone(settings, "move the database"), _reachable(settings) as engine:
        both = move(engine, to_url)
    rows = sum(both.rows.values())
    months = sum(len(months) for months in both.readings.values())
    if as_json:
        click.echo(json.dumps({"rows": rows, "months": months}))
        return
    click.echo(
        f"{rows} rows moved; counts and {months} channel-months of readings are the same on both sides"
    )
    click.echo("what was moved is still here, too: set `database` to the new address, then start the service")


@db.command("thin")
@click.option(
    "--before", required=True, type=click.DateTime(["%Y-%m-%d"]), help="The first day that stays whole."
)
@click.option("--to", "form", required=True, type=click.Choice(["hour"]), help="What stays of earlier days.")
@click.option("--yes", is_flag=True, help="Do it: what is thinned does not come back.")
@AS_JSON
@click.pass_obj
def db_thin(settings: Settings, *, before: datetime, form: str, yes: bool, as_json: bool) -> None:
    """Keep hourly means alone of the readings before a day (UTC). Back up first."""
    from server.backup.thinning import thin
    from server.cli.opened import opened
    from server.clock import utc_now
    from server.errors import SettingsError

    if not yes:
        asked = f"thin the readings before {before:%Y-%m-%d} to one an {form}"
        raise SettingsError(asked, "--yes: only a back-up brings them back", "no --yes")
    with opened(settings) as engine:
        done = thin(engine, before=before.date(), now=utc_now())
    if as_json:
        click.echo(json.dumps({"readings": done.readings, "means": done.means}))
        return
    click.echo(f"{done.means} hourly means stand for {done.readings} readings before {before:%Y-%m-%d}")


def _verified(settings: Settings, *, every: bool) -> tuple[dict[str, int], int, tuple[str, ...]]:
    import numpy as np

    from server.backup.verifying import SAMPLE, verify

    with _reachable(settings) as engine:
        found = verify(engine, chance=np.random.default_rng(), sample=None if every else SAMPLE)
    return found.contents.rows, found.days, found.faults


def _checked(folder: Path) -> tuple[dict[str, int], int, tuple[str, ...]]:
    from server.backup.making import check

    manifest, _ = check(folder, asked="verify the back-up")
    return manifest.contents.rows, 0, ()


@contextmanager
def _alone(settings: Settings, asked: str) -> Iterator[None]:
    """The lock of the service, so that none runs meanwhile."""
    from server.errors import SettingsError
    from server.service.lock import only_service

    with ExitStack() as held:
        try:
            held.enter_context(only_service(settings.state_dir))
        except SettingsError as taken:
            raise SettingsError(asked, "the service to be stopped first", taken.came) from None
        yield


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
