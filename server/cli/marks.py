"""The command `mark`: what was done at a door, or seen there, on a day; and the list of it."""

import json
from collections.abc import Sequence
from datetime import UTC, date, datetime, time
from typing import TYPE_CHECKING

import click

from server.cli.opened import opened, said_table
from server.config import Settings

if TYPE_CHECKING:
    from server.doors.marks import Mark


@click.command("mark")
@click.argument("door")
@click.argument("kind", required=False)
@click.argument("words", nargs=-1)
@click.option("--on", "on_day", metavar="DATE", help="The day it was done; today without it.")
@click.option("--list", "is_list", is_flag=True, help="The marks of DOOR, oldest first, with their numbers.")
@click.option("--take-back", type=int, metavar="NUMBER", help="Take back a mark that was a mistake.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_obj
def mark(
    settings: Settings,
    /,
    door: str,
    kind: str | None,
    words: tuple[str, ...],
    on_day: str | None,
    take_back: int | None,
    **ways: bool,
) -> None:
    """Mark what was done at DOOR: hung, eased, hinge-packed, gauge-changed, slam, "looked at" and others.

    The next look knows of it; one marked late is known from its own day on, one taken back no more.
    """
    if sum((ways["is_list"], kind is not None, take_back is not None)) != 1:
        raise click.UsageError("give a KIND and words, or --list, or --take-back NUMBER.")
    from server.clock import utc_now
    from server.database import session_of
    from server.doors import marks
    from server.doors.register import find_door

    now = utc_now()
    with opened(settings) as engine, session_of(engine) as session:
        hung = find_door(session, door)
        if take_back is not None:
            kept = [marks.take_back(session, hung.id, take_back, now=now)]
        elif kind is None:
            kept = marks.marks_of(session, hung.id, with_taken_back=True)
        else:
            text = _words(" ".join(words), kind, [one.channel for one in hung.built.gauges])
            spelled = kind.replace("-", " ") if kind not in marks.KINDS else kind
            t_ms = round(_noon(on_day, hung.hung, now).timestamp() * 1000)
            kept = [marks.add_mark(session, hung.id, t_ms=t_ms, kind=spelled, text=text, by="command")]
    if ways["as_json"]:
        click.echo(json.dumps([_told(one) for one in kept], ensure_ascii=False, indent=2))
    elif ways["is_list"]:
        click.echo(_listed(kept))
    else:
        verb = "is" if take_back is None else "is no more"
        click.echo(f"{hung.ref} {verb} marked {kept[0].kind} on {_day(kept[0])}. {_known(kept[0], now)}")


def _known(one: "Mark", now: datetime) -> str:
    """From when looks know of it: a look goes up to the last day that has ended."""
    is_today = one.t_ms >= now.replace(hour=0, minute=0, second=0, microsecond=0).timestamp() * 1000
    return "Tonight's look knows of it." if is_today else "The next look knows of it."


def _listed(marks: Sequence["Mark"]) -> str:
    head = ["no.", "day", "mark", "words", "by"]
    return said_table(head, [_row(one) for one in marks]) if marks else "No mark yet."


def _words(text: str, kind: str, gauges: Sequence[str]) -> str:
    """The words themselves. Raises SettingsError where they do not say which gauges were checked."""
    from server.doors.marks import is_of_all, named_in
    from server.errors import SettingsError

    if kind == "note" and not text.strip():
        raise SettingsError("note something at a door", "the words of the note", "none")
    if kind == "calibrated" and not is_of_all(text) and not named_in(text, gauges):
        needed = f"the gauges that were checked by name ({', '.join(gauges)}), or the word all"
        raise SettingsError("mark a door calibrated", needed, f"{text!r:.40}")
    return text


def _noon(text: str | None, hung: datetime, now: datetime) -> datetime:
    """Noon of the day, or now where that is still to come. Raises SettingsError for a day that cannot be."""
    from server.errors import SettingsError

    if text is None:
        return now
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise SettingsError("mark a door", "a date such as 2026-11-24", f"{text!r:.40}") from None
    if not hung.date() <= day <= now.date():
        needed = f"a day from its hanging, {hung:%Y-%m-%d}, to today, {now:%Y-%m-%d}"
        raise SettingsError("mark a door", needed, text)
    return min(datetime.combine(day, time(12), UTC), now)


def _day(one: "Mark") -> str:
    return f"{datetime.fromtimestamp(one.t_ms / 1000, UTC):%Y-%m-%d}"


def _row(one: "Mark") -> list[str]:
    back = "" if one.taken_back is None else f"(taken back {one.taken_back:%Y-%m-%d})"
    return [str(one.number), _day(one), one.kind, f"{one.text} {back}".strip(), one.by]


def _told(one: "Mark") -> dict[str, object]:
    return {
        "number": one.number,
        "day": _day(one),
        "kind": one.kind,
        "words": one.text,
        "by": one.by,
        "taken_back": None if one.taken_back is None else f"{one.taken_back:%Y-%m-%d}",
    }
