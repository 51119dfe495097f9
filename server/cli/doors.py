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

    from server.doors.built import BuiltDoor
    from server.doors.file import DoorFile
    from server.doors.register import DoorHung
    from server.doors.versions import KeptLine

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
RATED = (
    "caution: a rated door. Fix no gauge to it and change none of its gaps without the written consent of "
    "the certifying body and its keeper; its gaps are set by its certificate, not by this program."
)
# As `server.doors.changes` has them, which a command that only prints help does not load.
BECAUSE = ("rehung", "repaired", "planed", "gauge-moved")
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


@door.command("change")
@click.argument("file", type=FILE)
@click.option("--because", required=True, type=click.Choice(BECAUSE), help="What was done to it.")
@click.option(
    "--on", "day", required=True, type=click.DateTime(["%Y-%m-%d"]), help="The day it was done, UTC."
)
@click.option(
    "--gauge", "gauges", multiple=True, metavar="NAME", help="A gauge set anew by hand; repeatable."
)
@click.pass_obj
def door_change(
    settings: Settings, file: Path, *, because: str, day: datetime, gauges: tuple[str, ...]
) -> None:
    """Keep the door of FILE as it is from that day on; what it was before stays as it was.

    A new hung line is drawn after it. What had stayed of droop and turns is carried on: re-hanging does not
    heal a joint.
    """
    from server.clock import utc_now
    from server.database import session_of
    from server.doors.changes import Change, change_door
    from server.doors.register import find_door
    from server.doors.replaced import replaced_of, said

    read = _read(file)
    _warn(read)
    change = Change(because=because, on=day.date(), gauges=gauges)
    with opened(settings) as engine, session_of(engine) as session:
        before = find_door(session, f"{read.built.site}/{read.built.name}")
        hung = change_door(session, before, read.built, change, now=utc_now())
        calibrated = _calibrate(session, read, hung)
    last = hung.versions[-1]
    anew = f", set anew: {', '.join(last.moved)}" if last.moved else ""
    click.echo(f"{hung.ref} {because} on {day:%Y-%m-%d}: version {len(hung.versions)}{anew}")
    click.echo(f"{calibrated} calibrations; its line is drawn anew, and what had stayed is carried on")
    for one in replaced_of(hung.versions[-2:]):
        click.echo(said(one))
    replaced = {one.replaces for one in hung.built.gauges}
    stands = {one.channel for one in hung.built.gauges} | replaced
    if gone := [one.channel for one in before.built.gauges if one.channel not in stands]:
        click.echo(f"No longer among its gauges: {', '.join(gone)}. {PUT_BACK}")


PUT_BACK = "If they are still there, put them into the file and change the door again on the same day."


@door.command("check")
@click.argument("door", metavar="FILE|DOOR")
@AS_JSON
@click.pass_obj
def door_check(settings: Settings, door: str, *, as_json: bool) -> None:
    """Say what is wrong or odd in FILE, storing nothing; of a DOOR that is hung, what it carries too."""
    from server.cli import checked
    from server.cli.carpentry import file_of
    from server.clock import utc_now
    from server.doors.register import check_has_come

    if path := file_of(door):
        read = _read(path)
        check_has_come(read.built, f"check {door[-60:]}", now=utc_now())
        _warn(read)
        if as_json:
            click.echo(json.dumps(checked.facts_of_file(read), ensure_ascii=False, indent=2))
        else:
            click.echo("\n".join(checked.lines_of_file(read, door)))
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
@click.option("--on", "day", type=click.DateTime(["%Y-%m-%d"]), help="As it was on that day, UTC.")
@AS_JSON
@click.pass_obj
def door_show(settings: Settings, name: str, *, day: datetime | None, as_json: bool) -> None:
    """A door as built, with its gauges; with --on as it was then."""
    from server.database import session_of
    from server.doors.register import find_door
    from server.doors.versions import as_of

    with opened(settings) as engine, session_of(engine) as session:
        hung = find_door(session, name)
    built = hung.built
    if day is not None:
        end_ms = round(day.replace(hour=23, minute=59, tzinfo=UTC).timestamp() * 1000)
        built = as_of(hung.versions, end_ms).built
    if as_json:
        click.echo(json.dumps(_all_facts(hung, built), ensure_ascii=False, indent=2))
    else:
        click.echo(_shown(hung, built))


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


def _all_facts(hung: "DoorHung", built: "BuiltDoor") -> dict[str, object]:
    from server.doors.built import droop_limit_mm, to_json

    known = {**hung.past_channels, **hung.channels}
    channels = [
        {"gauge": one.channel, "channel": channel.name, "unit": channel.unit, "kind": one.kind}
        for one in built.gauges
        if (channel := known.get(one.channel)) is not None
    ]
    versions = [
        {
            "from": said_time(one.from_ms),
            "because": one.because,
            "set_anew": list(one.moved),
            "line": one.line and _line_facts(one.line),
        }
        for one in hung.versions
    ]
    return _facts(hung) | {
        "droop_limit_mm": round(droop_limit_mm(built), 3),
        "channels": channels,
        "versions": versions,
        "built": json.loads(to_json(built)),
    }


def _line_facts(line: "KeptLine") -> dict[str, object]:
    from dataclasses import asdict

    days = {"from": _iso_day(line.start_day), "to": _iso_day(line.stop_day - 1)}
    told = asdict(line) | {"drawn": line.drawn.isoformat()}
    return days | {key: value for key, value in told.items() if key not in ("start_day", "stop_day")}


def _iso_day(day: int) -> str:
    return f"{datetime.fromtimestamp(day * 86_400, UTC):%Y-%m-%d}"


def _shown(hung: "DoorHung", built: "BuiltDoor") -> str:
    from server.doors.built import droop_limit_mm, joint_words

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
    rows = [[one.channel, one.kind, one.unit, stations[one.channel]] for one in built.gauges]
    gauges = said_table(["gauge", "kind", "unit", "at mm"], rows)
    return "\n".join([*lines, *_version_lines(hung), "", gauges])


def _version_lines(hung: "DoorHung") -> list[str]:
    from server.doors.replaced import replaced_of, said

    lines = []
    for one in hung.versions:
        line = "its line is not drawn yet"
        if one.line is not None:
            line = f"line of {_iso_day(one.line.start_day)} to {_iso_day(one.line.stop_day - 1)}"
        anew = f", set anew: {', '.join(one.moved)}" if one.moved else ""
        lines.append(f"{said_time(one.from_ms)[:10]} {one.because}{anew}; {line}")
    return [*lines, *(said(one) for one in replaced_of(hung.versions))]
