"""Commands about doors: put one into the register, list and show them, check a file, print an example."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from server.cli.opened import opened, said_table, said_time
from server.config import Settings

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from server.doors.file import DoorFile
    from server.doors.register import DoorHung

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
RATED = (
    "caution: a rated door. Fix no gauge to it and change none of its gaps without the written consent of "
    "the certifying body and its keeper; its gaps are set by its certificate, not by this program."
)
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON.")


@click.group()
def door() -> None:
    """Doors as built and hung."""


@door.command("add")
@click.argument("file", type=FILE)
@click.pass_obj
def door_add(settings: Settings, file: Path) -> None:
    """Put the door of FILE into the register, with its gauges and their calibrations."""
    from server.clock import utc_now
    from server.database import session_of
    from server.doors.carried import with_open_turns
    from server.doors.register import add_door

    read = _read(file)
    _warn(read)
    with opened(settings) as engine, session_of(engine) as session:
        hung = add_door(session, read.built, now=utc_now())
        calibrated = _calibrate(session, read, hung)
    if why := with_open_turns(read.built)[1]:
        click.echo(f"warning: what its joints carry is not reckoned: {why}", err=True)
    click.echo(f"{hung.ref} added: {len(hung.channels)} gauges, {calibrated} calibrations")


@door.command("check")
@click.argument("door", metavar="FILE|DOOR")
@AS_JSON
@click.pass_obj
def door_check(settings: Settings, door: str, *, as_json: bool) -> None:
    """Say what is wrong or odd in FILE, storing nothing; of a DOOR that is hung, what it carries too."""
    from server.cli import checked
    from server.cli.carpentry import file_of

    if path := file_of(door):
        read = _read(path)
        _warn(read)
        if as_json:
            click.echo(json.dumps(checked.facts_of_file(read), ensure_ascii=False, indent=2))
        else:
            gauges = len(read.built.gauges)
            click.echo(f"{door} can be used: {read.built.site}/{read.built.name}, {gauges} gauges")
        return
    found = checked.check_of(settings, door)
    if as_json:
        click.echo(json.dumps(checked.facts(found), ensure_ascii=False, indent=2))
    else:
        click.echo("\n".join(checked.lines(found)))


@door.command("list")
@AS_JSON
@click.pass_obj
def door_list(settings: Settings, *, as_json: bool) -> None:
    """The doors that are hung."""
    from server.database import session_of
    from server.doors.built import joint_words
    from server.doors.register import list_doors

    with opened(settings) as engine, session_of(engine) as session:
        doors = list_doors(session)
    if as_json:
        click.echo(json.dumps([_facts(one) for one in doors], ensure_ascii=False, indent=2))
    elif not doors:
        click.echo("No door is hung yet: hangtrue door add FILE.toml")
    else:
        rows = [
            [
                one.ref,
                one.shown,
                f"{one.hung:%Y-%m-%d}",
                joint_words(one.built),
                said_time(one.node_last_heard_ms),
            ]
            for one in doors
        ]
        click.echo(said_table(["door", "name", "hung", "joints", "last heard"], rows))


@door.command("show")
@click.argument("name")
@AS_JSON
@click.pass_obj
def door_show(settings: Settings, name: str, *, as_json: bool) -> None:
    """A door as built, with its gauges."""
    from server.database import session_of
    from server.doors.register import find_door

    with opened(settings) as engine, session_of(engine) as session:
        hung = find_door(session, name)
    if as_json:
        click.echo(json.dumps(_all_facts(hung), ensure_ascii=False, indent=2))
    else:
        click.echo(_shown(hung))


@door.command("example")
@click.argument("name", required=False)
@click.option("--hung", type=click.DateTime(["%Y-%m-%d"]), help="Day of hanging, UTC.")
@click.option("--calibration", metavar="FILE", help="File of calibrations to name at each gauge.")
def door_example(name: str | None, hung: datetime | None, calibration: str | None) -> None:
    """Print the file of an invented door: north or south; both when none is named."""
    from server.doors.example import EXAMPLES, HUNG, example_text

    moment = HUNG if hung is None else hung.replace(hour=12, tzinfo=UTC)
    names = [name] if name else list(EXAMPLES)
    click.echo(
        "\n\n".join(example_text(one, hung=moment, calibration=calibration) for one in names), nl=False
    )


def _read(file: Path) -> "DoorFile":
    from server.doors.file import read_door
    from server.errors import FileError

    try:
        text = file.read_text("utf-8")
    except UnicodeDecodeError:
        raise FileError(f"read {file}", "UTF-8 text", ["other bytes came"]) from None
    return read_door(text, where=str(file))


def _warn(read: "DoorFile") -> None:
    if read.built.rated in ("fire", "escape", "alarmed"):
        click.echo(RATED, err=True)
    for warning in read.warnings:
        click.echo(f"warning: {warning}", err=True)


def _calibrate(session: "Session", read: "DoorFile", hung: "DoorHung") -> int:
    from server.clock import utc_now
    from server.readings.calibration import add, read_records

    added = 0
    for path in sorted(set(read.calibrations.values())):
        for record in read_records(path.read_text("utf-8"), where=str(path)):
            gauge = record.channel.removeprefix(f"{read.built.site}/{read.built.node}/")
            if read.calibrations.get(gauge) == path:
                add(session, hung.channels[gauge].id, record, now=utc_now)
                added += 1
    return added


def _facts(hung: "DoorHung") -> dict[str, object]:
    from server.doors.built import joint_words

    return {
        "door": hung.ref,
        "shown": hung.shown,
        "hung": hung.hung.isoformat(),
        "zone": hung.zone,
        "joints": joint_words(hung.built),
        "width_mm": hung.built.width_mm,
        "height_mm": hung.built.height_mm,
        "thickness_mm": hung.built.thickness_mm,
        "gauges": len(hung.channels),
        "last_heard_ms": hung.node_last_heard_ms,
    }


def _all_facts(hung: "DoorHung") -> dict[str, object]:
    from server.doors.built import droop_limit_mm, to_json

    channels = [
        {"gauge": gauge, "channel": channel.name, "unit": channel.unit, "kind": channel.kind}
        for gauge, channel in hung.channels.items()
    ]
    return _facts(hung) | {
        "droop_limit_mm": round(droop_limit_mm(hung.built), 3),
        "channels": channels,
        "built": json.loads(to_json(hung.built)),
    }


def _shown(hung: "DoorHung") -> str:
    from server.doors.built import droop_limit_mm, joint_words

    built = hung.built
    sizes = [f"{size:g}" for size in (built.width_mm, built.height_mm, built.thickness_mm)]
    lines = [
        f"{hung.ref}  {hung.shown}",
        f"hung {hung.hung:%Y-%m-%d}, {built.species}, {joint_words(built)}",
        f"leaf {' x '.join(sizes)} mm, stiles {built.stile_mm:g} mm",
        f"may droop {droop_limit_mm(built):.2f} mm from the hung line",
        f"node {built.site}/{built.node}, last heard {said_time(hung.node_last_heard_ms)}",
    ]
    stations = {
        gauge.channel: ", ".join(f"{place:g}" for place in gauge.station_mm) for gauge in built.gauges
    }
    rows = [[name, one.kind, one.unit, stations.get(name, "")] for name, one in hung.channels.items()]
    return "\n".join([*lines, "", said_table(["gauge", "kind", "unit", "at mm"], rows)])
