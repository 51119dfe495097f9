"""Commands about messages: the channels and what waits, one message to try a channel, the feed."""

import json
from typing import TYPE_CHECKING

import click

from server.cli.opened import opened, said_table, said_time
from server.config import Settings

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from server.alerts.delivery.settings import ChannelSettings
    from server.alerts.delivery.values import Answer

TEST_BODY = "A message to try this channel. It says nothing about a door.\n"
KEY_BYTES = 12


@click.group()
def notice() -> None:
    """Messages: who is told by which channel, what waits; try a channel."""


@notice.command("list")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_obj
def notice_list(settings: Settings, *, as_json: bool) -> None:
    """Channels, who is told by them, and what waits or failed."""
    from server.database import session_of

    with opened(settings) as engine, session_of(engine) as session:
        rows = _posts(session, {one.name: one.kind for one in channels_of(settings)})
    if as_json:
        click.echo(json.dumps(rows, ensure_ascii=False, indent=2))
    elif not rows:
        click.echo("No channel: nobody is told. Set one up as [[delivery.channel]] in the settings file.")
    else:
        head = ["channel", "kind", "doors", "least", "waiting", "last sent", "last word"]
        click.echo(said_table(head, [[str(row[key.replace(" ", "_")]) for key in head] for row in rows]))


@notice.command("test")
@click.argument("channel")
@click.option("--to", metavar="ADDRESS", help="Whom a mail goes to, if not its own recipient.")
@click.pass_obj
def notice_test(settings: Settings, channel: str, to: str | None) -> int:
    """Send one message by a channel, once; prints `sent`, or a word for what stopped it."""
    from server.alerts.delivery.values import Sent, said_word

    answer = try_channel(channels_of(settings), channel, to=to)
    click.echo(said_word(answer))
    return 0 if isinstance(answer, Sent) else 1


@notice.command("feed")
@click.argument("name", required=False)
@click.option(
    "--door", "doors", metavar="DOOR", multiple=True, help="Of these doors alone; else all and the house."
)
@click.option("--end", is_flag=True, help="Take the address of NAME back.")
@click.pass_obj
def notice_feed(settings: Settings, name: str | None, doors: tuple[str, ...], *, end: bool) -> None:
    """Give NAME addresses of the alerts' feed and of a calendar, printed once; without NAME: who has them."""
    from server.alerts.delivery import fetching
    from server.clock import utc_now
    from server.database import session_of
    from server.doors.register import find_door
    from server.service import messages

    if end and name is None:
        raise click.UsageError("Name whose address to take back.")
    with opened(settings) as engine, session_of(engine) as session:
        if name is None:
            rows = [f"{one.name}, since {one.made:%Y-%m-%d}" for one in fetching.readers(session)]
            click.echo("\n".join(rows) or "Nobody fetches the feed: hangtrue notice feed NAME")
        elif end:
            many = fetching.retire_tokens(session, name, at=utc_now())
            click.echo(f"The addresses of {name} are taken back." if many else f"{name} has no address.")
        else:
            own = [find_door(session, ref).id for ref in doors] or None
            if not name.strip():
                raise click.UsageError("NAME is who fetches it, such as anna.")
            had = any(one.name == name for one in fetching.readers(session))
            token = fetching.give_token(session, name, doors=own, at=utc_now())
            address = messages.saying_of(settings, clock=utc_now).base_url
            click.echo(f"{address}/feed/{token}.atom")
            click.echo(f"{address}/feed/{token}.ics")
            click.echo(
                "Whoever has these may read the alerts and the days. They are not shown again.", err=True
            )
            if had:
                click.echo(f"The addresses that {name} had before are no longer good.", err=True)


def channels_of(settings: Settings) -> "tuple[ChannelSettings, ...]":
    """The channels of the settings."""
    from server.service import messages

    return messages.channels_of(settings)


def try_channel(
    channels: "tuple[ChannelSettings, ...]", name: str, *, to: str | None = None, site: str = ""
) -> "Answer":
    """Send one message by a channel and give its answer. Raises UnknownChannelError."""
    import numpy as np

    from server.alerts.delivery.channels import open_channels
    from server.alerts.delivery.values import Notice
    from server.clock import utc_now
    from server.errors import UnknownChannelError
    from server.service import messages

    chosen = [one for one in channels if one.name == name]
    if not chosen:
        names = ", ".join(one.name for one in channels) or "none is set up"
        raise UnknownChannelError("try a channel", f"one of the settings: {names}", f"{name!r:.40}")
    opened_now = open_channels(chosen, clock=utc_now, site=site or messages.site_name())
    test = Notice(
        key=f"msg_{np.random.default_rng().bytes(KEY_BYTES).hex()}",
        kind="test",
        subject="A message to try this channel",
        body=TEST_BODY,
        to=to or chosen[0].told.to,
    )
    return opened_now[name].send(test)


def _posts(session: "Session", kinds: dict[str, str]) -> list[dict[str, object]]:
    from sqlalchemy import select

    from server.alerts.delivery.failing import waiting_counts
    from server.alerts.delivery.posts import posts_of
    from server.alerts.delivery.tables import MessageRow

    waiting, rows = waiting_counts(session), []
    posts = posts_of(session)
    for post in posts:
        mine = select(MessageRow).where(MessageRow.post_id == post.id).order_by(MessageRow.id.desc()).limit(1)
        sent = session.scalar(mine.where(MessageRow.state == "sent"))
        tried = session.scalar(mine.where(MessageRow.last_word.is_not(None)))
        at = None if sent is None or sent.sent is None else int(sent.sent.timestamp() * 1000)
        rows.append(
            {
                "channel": post.channel,
                "kind": kinds.get(post.channel, "not in the settings"),
                "doors": "all" if post.doors is None else post.doors,
                "least": post.least,
                "waiting": waiting.get(post.channel, 0),
                "last_sent": said_time(at),
                "last_word": "" if tried is None else tried.last_word,
            }
        )
    used = {post.channel for post in posts}
    unused = {"doors": "none yet", "least": "", "waiting": 0, "last_sent": "never", "last_word": ""}
    return rows + [
        {"channel": name, "kind": kind, **unused} for name, kind in kinds.items() if name not in used
    ]
