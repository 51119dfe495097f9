"""The command that takes readings from a CSV file."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from server.cli.opened import opened, said_table, said_time
from server.config import Settings

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from server.readings.importing import FileReadings, Form

BAD_SHOWN = 50


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--dry-run", is_flag=True, help="Say what would be stored, and store nothing.")
@click.option("--skip-bad", is_flag=True, help="Store the good lines of a file that has bad ones.")
@click.option("--tz", metavar="ZONE", help="Time zone of times without an offset.")
@click.option(
    "--decimal", type=click.Choice([".", ","]), default=".", help="Decimal sign; `,` puts ; between fields."
)
@click.pass_obj
def import_readings(
    settings: Settings, file: Path, *, dry_run: bool, skip_bad: bool, tz: str | None, decimal: str
) -> None:
    """Take readings from FILE, a CSV with the header time,channel,value,unit.

    Nothing is stored unless every line is good, or with --skip-bad. The same file twice changes nothing.
    """
    from server.clock import utc_now
    from server.readings.importing import store

    form = _form(tz, decimal)
    now_ms = round(utc_now().timestamp() * 1000)
    with opened(settings) as engine:
        reading = _read(engine, file, form, now_ms)
        _say(reading)
        if dry_run:
            click.echo("dry run: nothing was stored")
            return
        if reading.bad and not skip_bad:
            _refuse(file, reading)
        click.echo(f"{store(engine, reading, now_ms=now_ms)} readings stored")


def _form(tz: str | None, decimal: str) -> "Form":
    from zoneinfo import ZoneInfo

    from server.doors.register import checked_zone
    from server.readings.importing import Form

    return Form(decimal=decimal, zone=None if tz is None else ZoneInfo(checked_zone(tz)))


def _read(engine: "Engine", file: Path, form: "Form", now_ms: int) -> "FileReadings":
    from server.database import session_of
    from server.doors.register import channels_by_name
    from server.errors import FileError
    from server.readings.importing import Target, compared, read_csv

    with session_of(engine) as session:
        known = channels_by_name(session)
    channels = {name: Target(id=channel.id, unit=channel.unit) for name, channel in known.items()}
    try:
        with file.open(encoding="utf-8", newline="") as lines:
            reading = read_csv(lines, where=str(file), channels=channels, form=form, now_ms=now_ms)
    except UnicodeDecodeError:
        raise FileError(f"import {file}", "UTF-8 text", ["other bytes came"]) from None
    with engine.connect() as connection:
        return compared(connection, reading)


def _say(reading: "FileReadings") -> None:
    from server.readings.importing import counts

    rows = [
        [one.channel, str(one.readings), said_time(one.first_ms), said_time(one.last_ms)]
        for one in counts(reading)
    ]
    if rows:
        click.echo(said_table(["channel", "new", "first", "last"], rows))
    click.echo(f"{len(reading.lines)} new, {reading.known} stored already, {len(reading.bad)} bad")
    for bad in reading.bad[:BAD_SHOWN]:
        click.echo(f"line {bad.number}: {bad.text}: {bad.reason}", err=True)
    if len(reading.bad) > BAD_SHOWN:
        click.echo(f"and {len(reading.bad) - BAD_SHOWN} bad lines more", err=True)


def _refuse(file: Path, reading: "FileReadings") -> None:
    from server.errors import BadLinesError

    needed = "every line to be good, or --skip-bad; nothing was stored"
    raise BadLinesError(f"import {file}", needed, f"{len(reading.bad)} bad lines")
