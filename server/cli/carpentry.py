"""Commands before anything is built: what a kit of gauges can tell, and two joints side by side."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from server.cli.opened import opened, said_table
from server.config import Settings

if TYPE_CHECKING:
    from server.doors.built import BuiltDoor
    from server.doors.joint_file import JointFile
    from server.doors.kits import KitTold, Metered
    from server.joinery.kit import Kit
    from server.joinery.reckoner import Row

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON.")
TOLD = {"usable": "told", "trend_only": "told over whole seasons alone", "not_told": "not told"}
OPENINGS = {
    "rigid": "a rigid opening",
    "head_drops": "an opening whose head drops",
    "leans": "an opening that leans",
}
PAIRS, YEARS = 3, 6.0
NEXT_SHOWN = 6
# The backspace is click's word for lines that stay as they are.
JOINT_FORM = """\b
shown = "one deep tenon"
rail_depth_mm = 200
thickness_mm = 54
stile_mm = 120
species = "sapele"
[joint]
kind = "mortise_tenon"
width_mm = 160
depth_mm = 90
thickness_mm = 18

The other kinds of joint are as in the door's file (hangtrue door example south).
"""


@click.command("kit")
@click.argument("door", metavar="DOOR|FILE")
@click.option("--best", "count", type=click.IntRange(1, 20), help="The best kit of so many gauges.")
@click.option("--keep", is_flag=True, help="With --best: the door's own gauges are among them.")
@click.option("--next", "next_gauge", is_flag=True, help="What each further gauge would do for the rack.")
@click.option(
    "--opening",
    type=click.Choice(["rigid", "head_drops", "leans"]),
    help="Another kind of opening than the door's own.",
)
@click.option(
    "--moisture", type=float, default=2.0, show_default=True, help="Change of moisture to serve, %."
)
@AS_JSON
@click.pass_obj
def kit(  # noqa: PLR0913  (one argument an option)
    settings: Settings,
    door: str,
    *,
    count: int | None,
    keep: bool,
    next_gauge: bool,
    opening: str | None,
    moisture: float,
    as_json: bool,
) -> None:
    """What a door's gauges can tell of its leaf; the best kit of so many; the next gauge to buy."""
    from server.doors.kits import best_kit, kit_of, next_of

    built = built_of(settings, door)
    told = kit_of(built, opening=opening, moisture_change_pct=moisture)
    best = None
    if count is not None:
        best = best_kit(built, count, keep=keep, opening=opening, moisture_change_pct=moisture)
    options = next_of(built, opening=opening, moisture_change_pct=moisture) if next_gauge else None
    if as_json:
        facts = asdict(told) | {"best": best and asdict(best), "next": options}
        click.echo(json.dumps(facts, ensure_ascii=False, indent=2))
        return
    lines = _kit_lines(told, f"{built.site}/{built.name}")
    if best is not None:
        lines += ["", *_best_lines(best)]
    if options is not None:
        lines += ["", *_next_lines(options)]
    click.echo("\n".join(lines))


@click.command("joint", epilog=JOINT_FORM)
@click.argument("files", metavar="[A.toml B.toml]", nargs=-1, type=FILE)
@click.option("--in", "door", metavar="DOOR|FILE", help="What each would carry in that door.")
@click.option("--at", "place", default="lock-hinge", show_default=True, help="At which of its joints.")
@click.option("--moisture", type=float, default=-4.0, show_default=True, help="Change of moisture, %.")
@click.option("--example", is_flag=True, help="Print the file of a joint.")
@click.option(
    "--sheet",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE.html",
    help="Write a page of A4 to print: both drawn to one scale, and the table.",
)
@AS_JSON
@click.pass_obj
def joint(  # noqa: PLR0913  (one argument an option)
    settings: Settings,
    files: tuple[Path, ...],
    *,
    door: str | None,
    place: str,
    moisture: float,
    example: bool,
    sheet: Path | None,
    as_json: bool,
) -> None:
    """Two joints side by side: what their sizes say, and what they do not. No total, no rank.

    Each file is a joint with its rail, stile and timber, as below; --example prints it with its remarks.
    """
    from server.doors import joint_file

    if example:
        click.echo(joint_file.EXAMPLE, nl=False)
        return
    if len(files) != 2:
        raise click.UsageError("Two files are needed: hangtrue joint --example shows one.")
    a, b = (joint_file.read_joint_file(_text(path), where=str(path)) for path in files)
    for warned in (a, b):
        for warning in warned.warnings:
            click.echo(f"warning: {warned.shown}: {warning}", err=True)
    if door is None:
        rows = joint_file.side_by_side(a, b, moisture_change_pct=moisture)
    else:
        built = built_of(settings, door)
        rows = joint_file.side_by_side_in(a, b, built, place=place, moisture_change_pct=moisture)
    if sheet is not None:
        _write_sheet(sheet, (a, b), rows, moisture)
    click.echo((_rows_json if as_json else _said_rows)(rows, (a.shown, b.shown), moisture))


def file_of(door: str) -> Path | None:
    """The file that is meant, None for the name of a door. Raises SettingsError for one that is not there."""
    from server.errors import SettingsError

    path = Path(door)
    if path.is_file():
        return path
    if path.suffix == ".toml":
        raise SettingsError(f"read {door[-60:]}", "a file that is there", "none of that name")
    return None


def built_of(settings: Settings, door: str) -> "BuiltDoor":
    """The door of a file, else of the register. Raises SettingsError, FileError or UnknownDoorError."""
    from server.database import session_of
    from server.doors.file import read_door
    from server.doors.register import find_door

    if path := file_of(door):
        return read_door(_text(path), where=door).built
    with opened(settings) as engine, session_of(engine) as session:
        return find_door(session, door).built


def _text(path: Path) -> str:
    from server.errors import FileError

    try:
        return path.read_text("utf-8")
    except UnicodeDecodeError:
        raise FileError(f"read {path}", "UTF-8 text", ["other bytes came"]) from None


def _kit_lines(told: "KitTold", ref: str) -> list[str]:
    from server.doors.kits import gauges_words

    kit = told.kit
    names = ", ".join(kit.gauges) or "none"
    rows = [[name, TOLD[kit.told[name]], f"{kit.sd_mm[name]:.3f}"] for name in kit.told]
    far = f"{told.moisture_change_pct:g} % from the moisture it was hung at"
    lines = [
        f"{ref}: {names}",
        f"in {OPENINGS[told.opening]}, {far}",
        "",
        said_table(["movement", "with these gauges", "sd mm"], rows),
    ]
    lines += [f"{name} is {TOLD[kit.told[name]]}: {why}." for name, why in told.why.items()]
    for name, help_ in told.helps.items():
        ends = "would tell it" if help_.usable else "would come nearest, and not tell it yet"
        gauges = gauges_words(help_.gauges)
        added = gauges if gauges.startswith(("a ", "both ")) else f"a gauge {gauges}"
        lines.append(f"{name}: {added} {ends} (sd {help_.sd_mm:.3f} mm)")
    lines += meter_lines(told.metered)
    if told.bare_joints:
        lines.append(f"Without gauges, so nothing is known of them: {', '.join(told.bare_joints)}.")
        lines.append("A pair of shoulder gauges at a joint comes first, whatever the kit.")
    return lines


def meter_lines(metered: "Metered") -> list[str]:
    """What the meter's reading of the leaf when it was hung changes, or would; none where that is nothing."""
    from server.doors.kits import within_words

    if not metered.changed:
        return []
    lines = ["Its moisture when it was hung was not read with a meter: a day's number is judged"]
    if metered.is_read:
        read = f"read as {metered.pct:g} % (sd {metered.sd_pct:g} %)"
        lines = [f"Its moisture when it was hung was {read}: a day's number is judged"]
    for name in metered.changed:
        other = metered.unread if metered.is_read else metered.read
        how = "without it" if metered.is_read else f"with a reading good to {metered.sd_pct:g} %"
        lines.append(f"  {name}: {within_words(metered.now[name])}; {how} {within_words(other[name])}")
    if not metered.is_read:
        lines.append("  (moisture_at_hanging_pct in the door's file, the mean of four places)")
    return lines


def _best_lines(best: "Kit") -> list[str]:
    sds = ", ".join(f"{name} {best.sd_mm[name]:.3f} mm ({TOLD[best.told[name]]})" for name in best.told)
    return [f"Best kit of {len(best.gauges)}: {', '.join(best.gauges)}", f"  {sds}"]


def _next_lines(options: tuple[tuple[tuple[str, ...], float], ...]) -> list[str]:
    rows = [[" + ".join(names), f"{sd_mm:.3f}"] for names, sd_mm in options[:NEXT_SHOWN]]
    return [said_table(["next gauge", "sd of the rack mm"], rows)]


def _rows_json(rows: "tuple[Row, ...]", shown: tuple[str, str], moisture: float) -> str:
    told = [asdict(row) | {"ratio": row.ratio} for row in rows]
    facts = {"a": shown[0], "b": shown[1], "moisture_change_pct": moisture, "rows": told}
    return json.dumps(facts, ensure_ascii=False, indent=2)


def _write_sheet(
    path: Path, joints: "tuple[JointFile, JointFile]", rows: "tuple[Row, ...]", moisture: float
) -> None:
    from server.clock import utc_now
    from server.doors.joint_sheet import sheet
    from server.errors import SettingsError

    a, b = joints
    page = sheet(a, b, rows, moisture_pct=moisture, on=utc_now().date(), last_line=_last_line())
    try:
        path.write_text(page, "utf-8")
    except OSError as error:
        needed = "a folder that is there and can be written"
        raise SettingsError("write the sheet of two joints", needed, f"{path}: {error.strerror}") from None


def _last_line() -> str:
    from server.joinery.reckoner import LAST_LINE
    from server.trend.trial_error import TURN_MRAD
    from server.trend.trial_plan import Ask, least_difference

    least = least_difference(Ask(pairs=PAIRS, horizon_years=YEARS, difference=1.0, error=TURN_MRAD))
    trial = f"A trial of {PAIRS} pairs over {YEARS:g} years could tell from about {least:.3f} mrad a year."
    return f"{LAST_LINE} {trial}"


def _said_rows(rows: "tuple[Row, ...]", shown: tuple[str, str], moisture: float) -> str:
    from server.doors.joint_sheet import figure_words

    cells = [
        [
            f"{row.name}{', ' + row.unit if row.unit else ''}",
            figure_words(row.a, row.range_a),
            figure_words(row.b, row.range_b),
            "" if row.ratio is None else f"{row.ratio:.3f}",
            row.says,
            row.does_not_say,
        ]
        for row in rows
    ]
    head = ["", *shown, "b/a", "says", "does not say"]
    moved = f"Moisture assumed to change by {moisture:g} %."
    return "\n".join([said_table(head, cells), moved, _last_line()])
