"""Commands about nodes: enrol one, change its password, take it out of service, list them."""

import json
from typing import TYPE_CHECKING

import click

from server.cli.opened import opened, said_table, said_time
from server.config import Settings

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from server.doors.register import NodeEnrolled
    from server.service.meeting import Meeting


@click.group()
def node() -> None:
    """The small computers at the doors."""


@node.command("enrol")
@click.argument("ref", metavar="SITE/NODE")
@click.option("--zone", help="Time zone of a new site, such as Europe/London. Else this computer's.")
@click.option("--plain", is_flag=True, help="Any SenML device: it keeps no journal and gets no answers.")
@click.option("--channel", "channels", multiple=True, metavar="NAME=UNIT", help="A plain device's channel.")
@click.option("--host", help="The name it connects to, if the server's certificate has several.")
@click.pass_obj
def node_enrol(
    settings: Settings,
    ref: str,
    *,
    zone: str | None,
    plain: bool,
    channels: tuple[str, ...],
    host: str | None,
) -> None:
    """Enrol a node and print, this once, what it needs to publish: a line that is good for 24 hours.

    One whose line was not used in time is given another.
    """
    from server.auth.credentials import issue, node_user
    from server.clock import utc_now
    from server.database import session_of
    from server.doors.register import add_channels, enrol_node
    from server.service.meeting import meeting_place
    from server.service.rotations import line_again

    site, name = _split(ref)
    pairs, meets = _pairs(channels, plain=plain), meeting_place(settings, host=host)
    kind, now = "plain" if plain else "tracked", utc_now()
    with opened(settings) as engine, session_of(engine) as session:
        user = node_user(site, name, 1)
        password = None if plain else line_again(session, site, name, now=now)
        if password is None:
            home = _zone(session, site, zone, settings)
            made = enrol_node(session, site, name, kind=kind, zone=home, now=now)
            add_channels(session, made, pairs, now)
            password = issue(session, node_id=made.id, user=user, role="node", generation=1, now=now)
        _tell_broker(settings, session, {user: password})
    if plain:
        click.echo(f"topic     hangtrue/v1/{site}/{name}/readings")
    else:
        click.echo(_line(meets, (site, name), password))
    if plain or meets.ca is None:
        click.echo(f"user      {user}\npassword  {password}")
    click.echo("This is shown once: only a hash of the password is kept.", err=True)


@node.command("rotate")
@click.argument("ref", metavar="SITE/NODE")
@click.option("--leaked", is_flag=True, help="The old password is in others' hands: it ends in seven days.")
@click.option("--anew", is_flag=True, help="Draw another, if the box did not take the last one.")
@click.pass_obj
def node_rotate(settings: Settings, ref: str, *, leaked: bool, anew: bool) -> None:
    """Give a node a new password by the wire. For seven days both hold; once it uses the new one, a day."""
    from server.clock import utc_now
    from server.database import session_of
    from server.doors.register import find_node
    from server.doors.tables import Node
    from server.service.rotations import begin

    with opened(settings) as engine, session_of(engine) as session:
        found = find_node(session, ref)
        row = session.get_one(Node, found.id)
        user, password = begin(session, row, found.site, is_leak=leaked, anew=anew, now=utc_now())
        _tell_broker(settings, session, {user: password})
    click.echo(f"{found.ref} is told its new password, for {user}, when it next connects.")


@node.command("retire")
@click.argument("ref", metavar="SITE/NODE")
@click.pass_obj
def node_retire(settings: Settings, ref: str) -> None:
    """Take a node out of service: its passwords end, its readings stay."""
    from server.clock import utc_now
    from server.database import session_of
    from server.doors.register import find_node
    from server.doors.tables import Node
    from server.service.rotations import retire

    with opened(settings) as engine, session_of(engine) as session:
        found = find_node(session, ref)
        ended = retire(session, session.get_one(Node, found.id), found.site, now=utc_now())
        _tell_broker(settings, session, {})
    click.echo(f"{found.ref} is out of service; {ended} passwords ended. Its readings stay.")


@node.command("list")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_obj
def node_list(settings: Settings, *, as_json: bool) -> None:
    """The nodes that are enrolled, when each was heard, and what waits in it."""
    from server.database import session_of
    from server.doors.register import list_nodes

    with opened(settings) as engine, session_of(engine) as session:
        nodes = list_nodes(session)
    if as_json:
        click.echo(json.dumps([_facts(one) for one in nodes], ensure_ascii=False, indent=2))
    elif not nodes:
        click.echo("No node is enrolled yet: hangtrue node enrol SITE/NODE")
    else:
        head = ["node", "kind", "doors", "gauges", "last heard", "waiting"]
        click.echo(said_table(head, [_row(one) for one in nodes]))


def _split(ref: str) -> tuple[str, str]:
    from server.errors import SettingsError

    site, slash, name = ref.partition("/")
    if not slash:
        raise SettingsError("enrol a node", "SITE/NODE, such as saltmarsh-yard/north", f"{ref!r:.40}")
    return site, name


def _pairs(channels: tuple[str, ...], *, plain: bool) -> list[tuple[str, str]]:
    from server.errors import SettingsError

    if plain and not channels:
        raise SettingsError("enrol a plain device", "its channels: --channel NAME=UNIT for each", "none")
    if channels and not plain:
        needed = "no --channel: its gauges come with the door's file (hangtrue door add)"
        raise SettingsError("enrol a node", needed, f"{channels[0]!r:.40}")
    pairs = [channel.rpartition("=") for channel in channels]
    for (name, sign, unit), channel in zip(pairs, channels, strict=True):
        if not (name and sign and unit):
            raise SettingsError("enrol a channel", "NAME=UNIT, such as air=%RH", f"{channel!r:.40}")
    return [(name, unit) for name, _, unit in pairs]


def _zone(session: "Session", site: str, zone: str | None, settings: Settings) -> str | None:
    from zoneinfo import ZoneInfoNotFoundError

    from tzlocal import get_localzone_name

    from server.doors.register import zone_of
    from server.errors import SettingsError

    if zone is not None or zone_of(session, site) is not None:
        return zone
    if settings.zone is not None:
        return settings.zone
    try:
        return get_localzone_name()
    except ZoneInfoNotFoundError:
        raise SettingsError(f"enrol a node of {site}", "--zone, such as Europe/London", "none here") from None


def _tell_broker(settings: Settings, session: "Session", passwords: dict[str, str]) -> None:
    """Keep the outside broker's files in step, where there are any."""
    from server.auth.broker_passwords import password_line
    from server.service.broker_folder import folder_of, keep_users

    folder = folder_of(settings)
    if folder.exists() or settings.intake_kind == "broker":
        lines = {user: password_line(user, password) for user, password in passwords.items()}
        keep_users(session, folder, collector=settings.broker.user, lines=lines)
        click.echo("Let the broker read its files again: systemctl reload mosquitto", err=True)


def _line(meets: "Meeting", names: tuple[str, str], password: str) -> str:
    from server.auth.enrolment import Enrolment, enrolment_line

    site, name = names
    return enrolment_line(
        Enrolment(
            host=meets.host,
            port=meets.port,
            site=site,
            node=name,
            generation=1,
            password=password,
            ca=meets.ca,
        )
    )


def _waiting(status: str | None) -> int | None:
    """How many instants wait in a node, as it said last; None when it has not said."""
    try:
        told = json.loads(status or "null")
    except ValueError:
        return None
    waiting = told.get("pend") if isinstance(told, dict) else None
    return waiting if isinstance(waiting, int) else None


def _row(one: "NodeEnrolled") -> list[str]:
    waiting = _waiting(one.status)
    doors = ", ".join(one.doors) or "-"
    shown = "-" if waiting is None else str(waiting)
    return [one.ref, one.kind, doors, str(len(one.channels)), said_time(one.last_heard_ms), shown]


def _facts(one: "NodeEnrolled") -> dict[str, object]:
    return {
        "node": one.ref,
        "kind": one.kind,
        "zone": one.zone,
        "enrolled": one.enrolled.isoformat(),
        "doors": list(one.doors),
        "channels": [{"name": channel.name, "unit": channel.unit} for channel in one.channels],
        "last_heard_ms": one.last_heard_ms,
        "waiting": _waiting(one.status),
    }
