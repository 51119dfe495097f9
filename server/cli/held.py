"""Commands about packs that were refused: what is held, and once more through the check."""

import json

import click

from server.cli.opened import opened, said_table, said_time
from server.config import Settings

CODE = click.option("--code", metavar="CODE", help="Those of one refusal, such as unknown-channel.")
NODE = click.option(
    "--node", "ref", metavar="NODE", help="Those of one node: north, or saltmarsh-yard/north."
)
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON.")


@click.group()
def held() -> None:
    """Packs that were refused: list them, and check them again once the cause is cured."""


@held.command("list")
@CODE
@NODE
@AS_JSON
@click.pass_obj
def held_list(settings: Settings, *, code: str | None, ref: str | None, as_json: bool) -> None:
    """What is held, oldest first, and until when."""
    from server.clock import utc_now
    from server.intake.replay import held_packs

    now_ms = round(utc_now().timestamp() * 1000)
    with opened(settings) as engine:
        found = held_packs(engine, now_ms=now_ms, code=code, node=_node(ref))
    if as_json:
        names = ("id", "topic", "code", "record", "arrival_ms", "times", "size_bytes")
        rows = [{name: getattr(one, name) for name in names} for one in found]
        click.echo(
            json.dumps(
                [{**row, "until": one.until.isoformat()} for row, one in zip(rows, found, strict=True)]
            )
        )
        return
    if not found:
        click.echo("nothing is held")
        return
    rows_said = [
        [
            one.code,
            _shown(one.topic),
            str(one.times),
            "count only" if one.size_bytes is None else f"{one.size_bytes} bytes",
            said_time(one.arrival_ms),
            f"{one.until:%Y-%m-%d}",
        ]
        for one in found
    ]
    click.echo(said_table(["code", "from", "times", "kept", "arrived", "until"], rows_said))


@held.command("replay")
@CODE
@NODE
@AS_JSON
@click.pass_obj
def held_replay(settings: Settings, *, code: str | None, ref: str | None, as_json: bool) -> None:
    """Check what is held again, with its original time of arrival.

    What is stored leaves; what is refused again stays, and its 90 days run on. Twice changes nothing.
    """
    from server.clock import utc_now
    from server.intake.replay import replay

    with opened(settings) as engine:
        came = replay(
            engine, clock_ms=lambda: round(utc_now().timestamp() * 1000), code=code, node=_node(ref)
        )
    if as_json:
        names = ("stored", "readings", "stays", "counted_alone")
        click.echo(json.dumps({name: getattr(came, name) for name in names}))
        return
    click.echo(f"{came.stored} packs stored with {came.readings} new readings")
    for name, count in sorted(came.stays.items()):
        click.echo(f"{count} stay: {name}")
    if came.counted_alone:
        click.echo(f"{came.counted_alone} were beyond their node's room: counted, not kept")


def _node(ref: str | None) -> tuple[str | None, str] | None:
    from server.doors.names import SLUG_NEEDED, is_slug, split_ref
    from server.errors import SettingsError

    if ref is None:
        return None
    site, name = split_ref(ref)
    if not is_slug(name) or (site is not None and not is_slug(site)):
        raise SettingsError("look for held packs", f"{SLUG_NEEDED} or SITE/NODE", f"{ref!r:.40}")
    return site, name


def _shown(topic: str) -> str:
    parts = topic.split("/")
    plain = "/".join(parts[2:4]) if topic.startswith("hangtrue/v1/") and len(parts) == 5 else topic
    return plain if plain.isascii() and plain.isprintable() and len(plain) <= 60 else f"{plain!r:.60}"
