"""Commands about alerts: list what stands, see, leave or close it, set limits, mend the ledger."""

import json
from datetime import date, datetime
from typing import TYPE_CHECKING

import click

from server.cli.opened import opened, said_table
from server.config import Settings

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from server.alerts.ledger import AlertView
    from server.alerts.limits import LimitView


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


@alert.command("limits")
@click.argument("door", metavar="[DOOR]", required=False)
@click.argument("given", metavar="[NAME=VALUE ...]", nargs=-1)
@click.option("--house", is_flag=True, help="Those of the yard: boxes, disk, back-up, messages.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_obj
def alert_limits(
    settings: Settings, door: str | None, given: tuple[str, ...], *, house: bool, as_json: bool
) -> None:
    """Limits of a door with reasons; NAME=VALUE sets one from the next night on, NAME= takes it back."""
    from dataclasses import asdict

    from server.alerts import limits
    from server.database import session_of
    from server.doors.register import find_door

    if house and door is not None:
        given, door = (door, *given), None
    if not house and door is None:
        raise click.UsageError("Name a door (hangtrue door list), or --house.")
    wanted = _limits_given(given)
    with opened(settings) as engine, session_of(engine) as session:
        door_id = None if door is None else find_door(session, door).id
        if wanted:
            _set_limits(session, door_id, wanted, zone=settings.zone)
        views = limits.views_of(session, door_id)
        in_force = [] if door_id is None or wanted else _in_force(session, door_id)
    if as_json:
        click.echo(json.dumps([asdict(one) for one in views], ensure_ascii=False, indent=2))
    else:
        shown = [one for one in views if not wanted or one.name in wanted]
        click.echo("\n".join([*in_force, *(line for one in shown for line in _limit_lines(one))]))


def _in_force(session: "Session", door_id: int) -> list[str]:
    """How much of each movement may stay at a door as it is built; the named limits stand beside these."""
    from server.alerts.words import place
    from server.inspection.results import results_of

    lines = []
    for key, one in results_of(session, door_id, with_parts=lambda _: False).items():
        kind, _, joint = key.partition(":")
        limit = one.facts.get("limit")
        if isinstance(limit, float):
            lines.append(f"    {kind}{f' at the {place(joint)}' if joint else ''}: {limit:.2f} {one.unit}")
    return ["May stay at this door, as it is built:", *sorted(lines), "When what is said:"] if lines else []


def _act(settings: Settings, alert_id: int, act: object) -> None:
    from server.alerts import ledger
    from server.clock import utc_now
    from server.database import session_of

    with opened(settings) as engine, session_of(engine) as session:
        ledger.act(session, alert_id, act, by="command", at=utc_now())  # type: ignore[arg-type]  # an act of the ledger: heavy to import above


def _limits_given(given: tuple[str, ...]) -> dict[str, float | None]:
    from server.errors import SettingsError

    wanted: dict[str, float | None] = {}
    for one in given:
        name, sign, value = one.partition("=")
        try:
            wanted[name] = float(value) if value else None
        except ValueError:
            sign = ""
        if not sign:
            raise SettingsError("set a limit", "NAME=VALUE such as near_mm=1.2", f"{one!r:.40}")
    return wanted


def _set_limits(
    session: "Session", door_id: int | None, wanted: dict[str, float | None], *, zone: str | None
) -> None:
    """Set limits from the night after the local day that it is now: what was counted stays as it was."""
    from datetime import timedelta
    from zoneinfo import ZoneInfo

    from server.alerts.limits import set_limits
    from server.clock import utc_now
    from server.service.messages import zone_of

    now = utc_now()
    since = now.astimezone(ZoneInfo(zone_of(session, zone))).date() + timedelta(days=1)
    set_limits(session, door_id, wanted, since=since.isoformat(), at=now, by="command")


def _limit_lines(one: "LimitView") -> list[str]:
    note = "" if one.since is None else f"; set from the night of {one.since} on, else {one.default:g}"
    return [
        f"{one.name} = {one.value:g} {one.unit}{note}",
        f"    {one.said}. {one.why[0].upper()}{one.why[1:]}.",
    ]


def _date(text: str, asked: str) -> date:
    from server.errors import SettingsError

    try:
        return date.fromisoformat(text)
    except ValueError:
        raise SettingsError(asked, "a date such as 2026-11-24", f"{text!r:.40}") from None


def _state(view: "AlertView") -> str:
    if view.ended is not None:
        return f"ended {view.ended:%Y-%m-%d}: {view.words or view.how}"
    seen = "unseen" if view.seen is None else f"seen {view.seen:%Y-%m-%d}"
    left = f"left until {view.left_until}" if view.left_until else ""
    return ", ".join(part for part in (seen, left, view.held) if part)


def _told(view: "AlertView") -> dict[str, object]:
    from dataclasses import asdict

    return {
        key: value.isoformat() if isinstance(value, datetime) else value
        for key, value in asdict(view).items()
    }
