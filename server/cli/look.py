"""Commands about looks and alerts: look at a door now, list what stands, see it, leave it, close it."""

import json
from datetime import date, datetime
from typing import TYPE_CHECKING

import click

from server.cli.opened import opened, said_table
from server.config import Settings

if TYPE_CHECKING:
    from server.alerts.ledger import AlertView
    from server.inspection.values import Inspection, SeriesLook
    from server.service.nightly import LookDone

JOINT_SERIES = (("turn", "mrad"), ("opening", "mm"))


@click.command("inspect")
@click.argument("door", metavar="[DOOR]", required=False)
@click.option("--due", is_flag=True, help="Look for each night that is due, as the service does.")
@click.option("--now", "at_once", is_flag=True, help="Look now; this is what it does without an option.")
@click.option("--night", metavar="DATE", help="What a look of that night would say; keeps nothing.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_obj
def inspect(
    settings: Settings, door: str | None, *, due: bool, at_once: bool, night: str | None, as_json: bool
) -> None:
    """Look at a door, or at all: what stays of each movement, and how sure that is."""
    if due + at_once + (night is not None) > 1:
        raise click.UsageError("--due, --now and --night exclude one another.")
    looks = (
        _of_night(settings, door, _date(night, "look at a night"))
        if night
        else _kept(settings, door, due=due)
    )
    if as_json:
        click.echo(
            json.dumps([_facts(ref, slot, one) for ref, slot, one in looks], ensure_ascii=False, indent=2)
        )
    elif not looks:
        click.echo("Nothing is due." if due else "No door is hung yet: hangtrue door add FILE.toml")
    else:
        click.echo("\n\n".join("\n".join(sentences(ref, one)) for ref, _, one in looks))


@click.group()
def alert() -> None:
    """What stands, and what was done about it."""


@alert.command("list")
@click.option("--closed", "with_closed", is_flag=True, help="The last 20 that ended as well.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_obj
def alert_list(settings: Settings, *, with_closed: bool, as_json: bool) -> None:
    """What stands, most pressing first."""
    from server.alerts import ledger
    from server.database import session_of

    with opened(settings) as engine, session_of(engine) as session:
        views = ledger.standing(session) + (ledger.closed(session, 20) if with_closed else [])
    if as_json:
        click.echo(json.dumps([_told(view) for view in views], ensure_ascii=False, indent=2))
    elif not views:
        click.echo("Nothing stands.")
    else:
        rows = [
            [str(view.id), view.weight, view.title, f"{view.since:%Y-%m-%d}", _state(view)] for view in views
        ]
        click.echo(said_table(["alert", "weight", "what", "since", "state"], rows))


@alert.command("show")
@click.argument("alert_id", metavar="ALERT", type=int)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_obj
def alert_show(settings: Settings, alert_id: int, *, as_json: bool) -> None:
    """One alert: what is seen, since when, what to do."""
    from server.alerts import ledger
    from server.database import session_of

    with opened(settings) as engine, session_of(engine) as session:
        view = ledger.find(session, alert_id)
    if as_json:
        click.echo(json.dumps(_told(view), ensure_ascii=False, indent=2))
    else:
        lines = [view.title, view.say, f"Since {view.since:%Y-%m-%d}; {_state(view)}.", view.do]
        click.echo("\n".join(lines))


@alert.command("seen")
@click.argument("alert_id", metavar="ALERT", type=int)
@click.pass_obj
def alert_seen(settings: Settings, alert_id: int) -> None:
    """Say that you have seen it; it goes on standing."""
    from server.alerts.ledger import Seen

    _act(settings, alert_id, Seen())
    click.echo(f"Alert {alert_id} is seen. It closes when its reason ends, or when you write how.")


@alert.command("close")
@click.argument("alert_id", metavar="ALERT", type=int)
@click.argument("words", nargs=-1, required=True)
@click.pass_obj
def alert_close(settings: Settings, alert_id: int, words: tuple[str, ...]) -> None:
    """Close it, in words of how it ended."""
    from server.alerts.ledger import Close

    _act(settings, alert_id, Close(words=" ".join(words)))
    click.echo(f"Alert {alert_id} is closed.")


@alert.command("leave")
@click.argument("alert_id", metavar="ALERT", type=int)
@click.option("--until", metavar="DATE", required=True, help="The day on which it is said again.")
@click.pass_obj
def alert_leave(settings: Settings, alert_id: int, until: str) -> None:
    """Leave it alone until a day: it goes on standing and is not repeated."""
    from server.alerts.ledger import Leave

    day = _date(until, "leave an alert until a day")
    _act(settings, alert_id, Leave(until=day))
    click.echo(f"Alert {alert_id} is left until {day}. It is said sooner if it becomes worse.")


@alert.command("rebuild")
@click.option("--check", is_flag=True, help="Only say what differs; change nothing.")
@click.pass_obj
def alert_rebuild(settings: Settings, *, check: bool) -> None:
    """Make alerts anew from their events, and counts from what the looks found."""
    from server.alerts import rebuilding
    from server.database import session_of
    from server.errors import HangtrueError

    with opened(settings) as engine, session_of(engine) as session:
        differed = rebuilding.differences(session) if check else rebuilding.rebuild(session)
    for line in differed:
        click.echo(line)
    if check and differed:
        raise HangtrueError(
            "check the alerts",
            "a ledger that is what its events say (hangtrue alert rebuild)",
            f"{len(differed)} that differ",
        )
    click.echo(f"{len(differed)} mended." if differed else "Every alert is what its events say.")


def _act(settings: Settings, alert_id: int, act: object) -> None:
    from server.alerts import ledger
    from server.clock import utc_now
    from server.database import session_of

    with opened(settings) as engine, session_of(engine) as session:
        ledger.act(session, alert_id, act, by="command", at=utc_now())  # type: ignore[arg-type]  # an act of the ledger: heavy to import above


def _date(text: str, asked: str) -> date:
    from server.errors import SettingsError

    try:
        return date.fromisoformat(text)
    except ValueError:
        raise SettingsError(asked, "a date such as 2026-11-24", f"{text!r:.40}") from None


def _of_night(settings: Settings, door: str | None, day: date) -> list[tuple[str, str, "Inspection"]]:
    from server.database import session_of
    from server.doors.register import find_door, list_doors
    from server.service.nightly import looked_at_night

    with opened(settings) as engine:
        with session_of(engine) as session:
            doors = list_doors(session) if door is None else [find_door(session, door)]
        return [(one.ref, day.isoformat(), looked_at_night(engine, one.ref, day)) for one in doors]


def _kept(settings: Settings, door: str | None, *, due: bool) -> list[tuple[str, str, "Inspection"]]:
    from server.clock import utc_now
    from server.errors import HangtrueError
    from server.service import nightly

    with opened(settings) as engine:
        if due:
            done = nightly.run_due(
                engine, clock=utc_now, look_at=settings.look_at, zone=settings.zone, force_door=door
            )
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
    main = next((one for key, one in series.items() if key == "droop" or key.startswith("gauge:")), None)
    lines = [ref]
    if not series:
        return [*lines, "  Nothing has been heard of its gauges yet."]
    if main is None:
        lines.append("  Droop is not told: these gauges cannot tell leaf from frame.")
    else:
        lines += [f"  {sentence}" for sentence in _lead(main)]
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
    said = []
    for name, unit in JOINT_SERIES:
        one = series.get(f"{name}:{joint}")
        if one is None:
            continue
        stays, low, high = (one.number(key) for key in ("stays", "stays_low", "stays_high"))
        if stays is None:
            said.append(f"{name} not known: {one.reason}")
        else:
            limit = _mm(one.number("limit"))
            said.append(
                f"{name} {_mm(stays)} {unit} stays, between {_mm(low)} and {_mm(high)}, limit {limit}"
            )
    return f"{joint}: {'; '.join(said)}."


def _mm(value: float | None) -> str:
    return "not known" if value is None else f"{round(value, 2) + 0.0:.2f}"


def _state(view: "AlertView") -> str:
    if view.ended is not None:
        return f"ended {view.ended:%Y-%m-%d}: {view.words or view.how}"
    seen = "unseen" if view.seen is None else f"seen {view.seen:%Y-%m-%d}"
    left = f"left until {view.left_until}" if view.left_until else ""
    return ", ".join(part for part in (seen, left, view.held) if part)


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


def _told(view: "AlertView") -> dict[str, object]:
    from dataclasses import asdict

    return {
        key: value.isoformat() if isinstance(value, datetime) else value
        for key, value in asdict(view).items()
    }
