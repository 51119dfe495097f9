"""The command `feeler`: a gap felt beside a gauge, three times; and the list of what was felt."""

import json
from datetime import UTC, date, datetime, time
from typing import TYPE_CHECKING

import click

from server.cli.opened import opened, said_table
from server.config import Settings

if TYPE_CHECKING:
    from server.doors.checks import FeelerCheck

TIMES = 3


def _millimetres(given: object) -> float:
    """A number with a point or a comma. Raises BadParameter for anything else."""
    try:
        return float(str(given).replace(",", "."))
    except ValueError:
        raise click.BadParameter(f"{given!r:.40} is no number of mm, such as 0.35.") from None


@click.command("feeler")
@click.argument("door")
@click.argument("gauge", required=False)
@click.argument("gaps_mm", metavar="[GAP GAP GAP]", nargs=-1, type=_millimetres)
@click.option(
    "--closed", "closed_mm", type=_millimetres, metavar="MM", help="No leaf goes in; this is the thinnest."
)
@click.option(
    "--step", "step_mm", type=_millimetres, default=0.05, show_default=True, help="Step of the set, mm."
)
@click.option("--by", metavar="NAME", help="Who felt it.")
@click.option("--on", "on_day", metavar="DATE", help="The day it was felt; now without it.")
@click.option("--list", "is_list", is_flag=True, help="What was felt at DOOR, oldest first.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_obj
def feeler(settings: Settings, /, door: str, gauge: str | None, **given: object) -> None:
    """Keep what a feeler says beside GAUGE of DOOR, felt three times at one mark, in mm.

    The gap is the thickest leaf that goes in with a light drag; leaves together add up. Once a year at each
    gauge of an edge or a shoulder, and after a slam, a repair or a re-hang. The next look compares how
    far gauge and feeler say the gap went since the check before.
    """
    if bool(given["is_list"]) == (gauge is not None):
        raise click.UsageError("give a GAUGE and what was felt, or --list.")
    from server.clock import utc_now
    from server.database import session_of
    from server.doors.checks import add_check, checks_of
    from server.doors.register import find_door

    now = utc_now()
    with opened(settings) as engine, session_of(engine) as session:
        hung = find_door(session, door)
        if gauge is None:
            kept = list(checks_of(session, hung.id))
        else:
            kept = [_check(gauge, given, hung.hung, now)]
            add_check(session, hung, kept[0], now=now)
    if given["as_json"]:
        click.echo(json.dumps([_told(one) for one in kept], ensure_ascii=False, indent=2))
    elif gauge is not None:
        click.echo("\n".join(_said(hung.ref, kept[0])))
    else:
        head = ["day", "gauge", "felt, mm", "by"]
        click.echo(said_table(head, [_row(one) for one in kept]) if kept else "No feeler check yet.")


def _check(gauge: str, given: dict[str, object], hung: datetime, now: datetime) -> "FeelerCheck":
    """What was typed. Raises UsageError where it is not whole, SettingsError for a day that cannot be."""
    from server.doors.checks import FeelerCheck

    gaps, closed_mm, by = given["gaps_mm"], given["closed_mm"], given["by"]
    values_mm = tuple(gaps) if isinstance(gaps, tuple) else ()
    if bool(values_mm) == (closed_mm is not None):
        raise click.UsageError("give the gap felt three times, or --closed and the thinnest leaf.")
    if not by:
        raise click.UsageError("say who felt it: --by NAME.")
    t_ms = round(_when(given["on_day"], hung, now).timestamp() * 1000)
    return FeelerCheck(
        gauge=gauge,
        t_ms=t_ms,
        values_mm=values_mm or (float(str(closed_mm)),) * TIMES,
        step_mm=float(str(given["step_mm"])),
        enters=closed_mm is None,
        by=str(by),
        added_ms=round(now.timestamp() * 1000),
    )


def _when(text: object, hung: datetime, now: datetime) -> datetime:
    """Now, or the beginning of the day, so that it is never said to be after what came on that day."""
    from server.errors import SettingsError

    if text is None:
        return now
    try:
        day = date.fromisoformat(str(text))
    except ValueError:
        raise SettingsError("keep a feeler check", "a date such as 2026-11-24", f"{text!r:.40}") from None
    if not hung.date() <= day <= now.date():
        needed = f"a day from its hanging, {hung:%Y-%m-%d}, to today, {now:%Y-%m-%d}"
        raise SettingsError("keep a feeler check", needed, str(text))
    return datetime.combine(day, time(), UTC)


def _said(ref: str, one: "FeelerCheck") -> list[str]:
    kept = f"{ref}, {one.gauge}: {_felt(one)} mm on {_day(one)}, felt by {one.by}. "
    if one.is_sure:
        return [f"{kept}The next look compares it with the check before."]
    return [
        f"{kept}It is kept, and nothing is judged by it:",
        f"the three differ by {one.spread_mm:.2f} mm. Feel again at one mark and enter it again.",
    ]


def _felt(one: "FeelerCheck") -> str:
    return f"{one.gap_mm:.2f}" if one.enters else f"under {one.values_mm[0]:g}"


def _day(one: "FeelerCheck") -> str:
    return f"{datetime.fromtimestamp(one.t_ms / 1000, UTC):%Y-%m-%d}"


def _row(one: "FeelerCheck") -> list[str]:
    doubt = "" if one.is_sure else f" (the three differ by {one.spread_mm:.2f}: nothing is judged by it)"
    return [_day(one), one.gauge, f"{_felt(one)}{doubt}", one.by]


def _told(one: "FeelerCheck") -> dict[str, object]:
    return {
        "day": _day(one),
        "gauge": one.gauge,
        "felt_mm": list(one.values_mm),
        "enters": one.enters,
        "step_mm": one.step_mm,
        "by": one.by,
    }
