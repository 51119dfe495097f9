"""The command `inspect`: look at a door now, and say what stays."""

import json
from datetime import date
from typing import TYPE_CHECKING

import click

from server.cli.opened import opened
from server.cli.records import said_record
from server.config import Settings

if TYPE_CHECKING:
    from server.inspection.values import Inspection, SeriesLook
    from server.service.nightly import LookDone

JOINT_SERIES = (("turn", "mrad"), ("opening", "mm"))


@click.command("inspect")
@click.argument("door", metavar="[DOOR]", required=False)
@click.option("--due", is_flag=True, help="Look for each night that is due, as the service does.")
@click.option("--now", "at_once", is_flag=True, help="Look now; this is what it does without an option.")
@click.option("--night", metavar="DATE", help="What a look of that night would say; keeps nothing.")
@click.option("--from-hanging", is_flag=True, help="Look at DOOR anew, night by night from its hanging.")
@click.option("--record", is_flag=True, help="What was said of DOOR over the years, and what came.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_obj
def inspect(
    settings: Settings, /, door: str | None, *, night: str | None, as_json: bool, **ways: bool
) -> None:
    """Look at a door, or at all: what stays of each movement, and how sure that is."""
    asked = [way for way, is_asked in ways.items() if is_asked] + (["night"] if night else [])
    if len(asked) > 1:
        raise click.UsageError("--due, --now, --night, --from-hanging and --record exclude one another.")
    if door is None and ways["from_hanging"] + ways["record"]:
        raise click.UsageError("--from-hanging and --record need a DOOR.")
    if ways["record"]:
        return said_record(settings, str(door), as_json=as_json)
    due = ways["due"]
    looks = (
        _of_night(settings, door, _date(night, "look at a night"))
        if night
        else _kept(settings, door, due=due, from_hanging=ways["from_hanging"])
    )
    if as_json:
        click.echo(
            json.dumps([_facts(ref, slot, one) for ref, slot, one in looks], ensure_ascii=False, indent=2)
        )
    elif not looks:
        click.echo("Nothing is due." if due else "No door is hung yet: hangtrue door add FILE.toml")
    else:
        click.echo("\n\n".join("\n".join(sentences(ref, one)) for ref, _, one in looks))
    return None


def _date(text: str, asked: str) -> date:
    from server.errors import SettingsError

    try:
        return date.fromisoformat(text)
    except ValueError:
        raise SettingsError(asked, "a date such as 2026-11-24", f"{text!r:.40}") from None


def _of_night(settings: Settings, door: str | None, day: date) -> list[tuple[str, str, "Inspection"]]:
    from server.clock import utc_now
    from server.database import session_of
    from server.doors.register import find_door, list_doors
    from server.errors import SettingsError
    from server.service.nightly import looked_at_night

    if day > utc_now().date():
        raise SettingsError("look at a night", "a night that has come", day.isoformat())
    with opened(settings) as engine:
        with session_of(engine) as session:
            doors = list_doors(session) if door is None else [find_door(session, door)]
        return [(one.ref, day.isoformat(), looked_at_night(engine, one.ref, day)) for one in doors]


def _kept(
    settings: Settings, door: str | None, *, due: bool, from_hanging: bool
) -> list[tuple[str, str, "Inspection"]]:
    from server.clock import utc_now
    from server.errors import HangtrueError
    from server.service import house, messages, nightly

    with opened(settings) as engine:
        if due and door is None:
            saying = messages.saying_of(settings, clock=utc_now)
            done = messages.run_night(
                engine, saying, look_at=settings.look_at, also=house.nightly_of(settings)
            )
            back = nightly.look_back(engine, clock=utc_now, zone=settings.zone)
            if back:
                messages.say(engine, saying, looked=True)
            done += back
        elif due:
            done = nightly.run_due(
                engine, clock=utc_now, look_at=settings.look_at, zone=settings.zone, force_door=door
            )
        elif from_hanging and door is not None:
            done = nightly.look_from_hanging(engine, door, clock=utc_now, zone=settings.zone)
        else:
            done = nightly.inspect_now(engine, door, clock=utc_now, zone=settings.zone)
    last: dict[str, LookDone] = {one.ref: one for one in done}
    failed = [one for one in last.values() if one.status == "failed"]
    if failed:
        came = ", ".join(f"{one.ref} could not be looked at for {one.slot}" for one in failed)
        raise HangtrueError("look at the doors", "a look that ends; the log says what stopped it", came)
    return [(one.ref, one.slot, one.inspection) for one in last.values()]


def sentences(ref: str, found: "Inspection") -> list[str]:
    """A look in sentences: the door, its droop and growth, each joint."""
    series = {one.key: one for one in found.series}
    told = {key: one for key, one in series.items() if one.facts.get("told") != "not_told"}
    main = next((one for key, one in told.items() if key == "droop" or key.startswith("gauge:")), None)
    lines = [ref]
    if not series:
        return [*lines, "  Nothing has been heard of its gauges yet."]
    if main is None:
        untold = series.get("droop")
        why = "these gauges cannot tell leaf from frame" if untold is None else untold.reason
        lines.append(f"  Droop is not told: {why}.")
    else:
        lines.append(f"  {' '.join(_lead(main))}")
    joints = [key.partition(":")[2] for key in series if key.startswith("turn:")]
    return lines + [f"  {_joint(joint, series)}" for joint in joints]


def _lead(main: "SeriesLook") -> list[str]:
    name = "Droop" if main.key == "droop" else "Droop at the gauge"
    now, stays = main.number("now"), main.number("stays")
    if stays is None or main.rate is None or main.low is None or main.high is None:
        where = "" if now is None else f"{name} is {_mm(now)} mm from its line. "
        return [f"{where}How much of it stays is not known: {main.reason}."]
    low, high = _mm(main.number("stays_low")), _mm(main.number("stays_high"))
    # the difference of what is shown, so that the parts add up as shown
    back = round(round(main.number("now") or 0.0, 2) - round(main.number("stays") or 0.0, 2), 2)
    season = f"{_mm(back)} comes back" if back >= 0 else f"the season lifts it {_mm(-back)} just now"
    return [
        f"{name}: {_mm(stays)} mm stays, between {low} and {high}; {season}.",
        growth(main.rate, main.low, main.high, so_far=main.status == "provisional"),
    ]


def growth(rate: float, low: float, high: float, *, so_far: bool) -> str:
    """Growth a year of what stays, with its bounds; `so_far` while two seasons are few."""
    what = "So far: what stays" if so_far else "What stays"
    if low <= 0 <= high:
        between = f"between {_mm(-low)} mm a year less and {_mm(high)} more"
        return f"{what} has not grown by anything we can tell: {between}."
    if rate < 0:
        return f"{what} goes back by {_mm(-rate)} mm a year, between {_mm(-high)} and {_mm(-low)}."
    return f"{what} grows by {_mm(rate)} mm a year, between {_mm(low)} and {_mm(high)}."


def _joint(joint: str, series: dict[str, "SeriesLook"]) -> str:
    from server.alerts.words import place

    said = []
    for name, unit in JOINT_SERIES:
        one = series.get(f"{name}:{joint}")
        if one is None:
            continue
        stays, low, high = (one.number(key) for key in ("stays", "stays_low", "stays_high"))
        limit = one.number("limit")
        if stays is None:
            said.append(f"{name} not known: {one.reason}")
        else:
            over = "OVER its limit of" if limit is not None and stays >= limit else "limit"
            said.append(
                f"{name} {_mm(stays)} {unit} stays, between {_mm(low)} and {_mm(high)}, {over} {_mm(limit)}"
                f"{_growing(one)}"
            )
    return f"{place(joint).capitalize()}: {'; '.join(said)}."


def _growing(one: "SeriesLook") -> str:
    if one.rate is None or one.low is None or one.high is None or one.low <= 0.0:
        return ""
    return f", growing {_mm(one.rate)} {one.unit} a year, between {_mm(one.low)} and {_mm(one.high)}"


def _mm(value: float | None) -> str:
    return "not known" if value is None else f"{round(value, 2) + 0.0:.2f}"


def _facts(ref: str, slot: str, found: "Inspection") -> dict[str, object]:
    return {
        "door": ref,
        "night": slot,
        "series": [
            {
                "key": one.key,
                "unit": one.unit,
                "status": one.status,
                "reason": one.reason,
                "rate": one.rate,
                "low": one.low,
                "high": one.high,
                **{
                    key: one.number(key)
                    for key in ("now", "stays", "stays_low", "stays_high", "back", "limit")
                },
            }
            for one in found.series
        ],
        "findings": [
            {"topic": one.topic, "about": one.about, "evidence": dict(one.evidence), "unjudged": one.unjudged}
            for one in found.findings
        ],
    }
