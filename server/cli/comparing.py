"""The command `compare`: two doors as they stand tonight, each joint by what it carries."""

import json
from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from server.cli.opened import opened
from server.config import Settings

if TYPE_CHECKING:
    from collections.abc import Iterable

    from server.database import Session
    from server.doors.carried import Load
    from server.doors.register import DoorHung
    from server.inspection.comparing import Pair, SeenSoFar
    from server.inspection.results import SeriesResult

UNITS = {"turn": "mrad a year per 100 N m", "droop": "mm a year"}


@click.command("compare")
@click.argument("a", metavar="A")
@click.argument("b", metavar="B")
@click.option("--band", type=float, help="The least difference that would change what you build.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_obj
def compare(settings: Settings, a: str, b: str, band: float | None, *, as_json: bool) -> None:
    """Does door B turn more in its joints than A? By what each joint carries; the droop and use beside it."""
    from server.clock import utc_now
    from server.database import session_of
    from server.doors.carried import load_of
    from server.doors.load_tests import load_tests_of, stiffness_told
    from server.doors.register import find_door
    from server.errors import SettingsError
    from server.inspection import results
    from server.inspection.comparing import DROOP, pair_of

    end_day = utc_now().toordinal() - EPOCH_DAY
    with opened(settings) as engine, session_of(engine) as session:
        doors = find_door(session, a), find_door(session, b)
        if doors[0].id == doors[1].id:
            raise SettingsError("compare two doors", "two doors", f"{doors[0].ref} twice")
        loads = [load_of(one.built, stiffness_told(load_tests_of(session, one.id))) for one in doors]
        pair = pair_of(session, doors, (loads[0], loads[1]), end_day)
        own = [results.results_of(session, one.id, with_parts=lambda _: False) for one in doors]
        declared = _declared(session, doors, pair.asked)
    seen = {name: pair.seen(name, None if name == DROOP else band) for name in pair.asked}
    said = {name: _use(pair, name, own, (doors[0].shown, doors[1].shown)) for name in seen}
    if as_json:
        told: dict[str, object] = {"a": doors[0].ref, "b": doors[1].ref, "droop": asdict(seen[DROOP])}
        told["joints"] = {name: asdict(one) for name, one in seen.items() if name != DROOP}
        told["openings_a_year"] = [None if one is None else one.year.total for one in pair.use]
        told["use"] = said
        told["trials"] = {name: lines for name, lines in declared.items() if lines}
        click.echo(json.dumps(told, indent=2, ensure_ascii=False))
        return
    click.echo("\n".join(_lines(doors, (loads[0], loads[1]), seen, said, declared)))


EPOCH_DAY = 719_163
"""Ordinal of 1970-01-01."""


def _lines(
    doors: "tuple[DoorHung, DoorHung]",
    loads: "tuple[Load, Load]",
    seen: "dict[str, SeenSoFar]",
    use: dict[str, str],
    trials: dict[str, list[str]],
) -> list[str]:
    from server.inspection.comparing import DROOP
    from server.trials.words import TWO_DOORS, undeclared

    names = doors[0].shown, doors[1].shown
    lines = [f"{names[1]} against {names[0]}, seen so far"]
    joints = {name: one for name, one in seen.items() if name != DROOP}
    for name, one in joints.items():
        carries = ", ".join(
            f"{shown} carries {load.joints[name].moment_n_m:.1f} N m"
            for shown, load in zip(names, loads, strict=True)
        )
        said = [*trials[name], *said_lines(one, names, "turn"), use[name]]
        lines += [f"{name}: {carries}", *(f"  {line}" for line in said if line)]
    if not joints:
        lines.append(f"No joint can be compared: {_why_none(loads, names)}.")
    said = [*trials[DROOP], *said_lines(seen[DROOP], names, "droop"), use[DROOP]]
    lines += ["droop of the leaf:", *(f"  {line}" for line in said if line)]
    which = "the others" if any(trials.values()) else "this"
    return [*lines, "", undeclared(len(joints) + 1, which), TWO_DOORS]


def _declared(
    session: "Session", doors: "tuple[DoorHung, DoorHung]", asked: "Iterable[str]"
) -> dict[str, list[str]]:
    """Of each comparison what its sealed trial has told; nothing where none was declared."""
    from server.cli.trials import look_lines
    from server.inspection.declared_for import trial_of
    from server.trials.canonical import shown
    from server.trials.looks import looks_of, told

    found = dict[str, list[str]]()
    for name in asked:
        one = trial_of(session, doors, name)
        if one is None:
            found[name] = []
            continue
        lines = look_lines(one, looks_of(session, one.seal), told(session, one.seal))
        seal = shown(one.seal, 8)
        found[name] = [f"Declared beforehand, trial {seal}:", *lines, "Seen besides, from hanging on:"]
    return found


def _use(pair: "Pair", name: str, own: "list[dict[str, SeriesResult]]", names: tuple[str, str]) -> str:
    """What may be said of use beside a comparison; empty where neither door is counted."""
    from server.inspection.use_said import rates_per_openings, rates_said, use_said

    seen = pair.seen(name)
    rated = [found.get(key) for found, key in zip(own, seen.asked.keys, strict=True)]
    rates = rates_said(rates_per_openings(rated, seen.asked, pair.use), names, name)
    use = use_said(seen, pair.seen_per_openings(name), pair.use, names, name)
    return f"{use} {rates}".strip()


def said_lines(one: "SeenSoFar", names: tuple[str, str], what: str) -> list[str]:
    """One comparison in words: the word that may be read any night, and tonight's own interval."""
    from server.inspection.comparing import HORIZON_YEARS
    from server.trials.words import REASONS, verdict

    said, look = one.said, one.look
    if look is None or said.difference is None or said.low is None or said.high is None:
        return [f"Not to be compared: {WHY.get(said.reason or '', said.reason)}."]
    more = "joint turns" if what == "turn" else "droop grows"
    word = verdict(look.word, *names).replace("joint turns", more)
    beside = REASONS.get(look.why or "", "")
    if look.why == "not_within_trial":
        beside = f"Not within {HORIZON_YEARS:.0f} years, if both go on as they have."
    if look.word == "cant_tell_yet" and look.could_tell_years is not None:
        beside = f"It could be told {look.could_tell_years:.1f} years from the start, if it goes on so."
    figure = (
        f"{names[1]} less {names[0]}: {said.difference:+.3f} {UNITS[what]}; tonight alone "
        f"{said.low:+.3f} to {said.high:+.3f}, by bounds for every night {look.low:+.3f} to {look.high:+.3f}"
    )
    return [f"{word}. {beside}".strip(), figure]


def _why_none(loads: "tuple[Load, Load]", names: tuple[str, str]) -> str:
    reasons = [f"{name}: {load.why_not}" for name, load in zip(names, loads, strict=True) if load.why_not]
    return "; ".join(reasons) or "they have no joint that both watch with a pair of gauges"


WHY = {
    "no_readings": "one of them was not heard yet",
    "first_year": "the two have not been heard together for a year",
    "too_few_days": "too few days are heard of one of them",
    "season": "season and years ran together in what was heard",
    "wide": "the readings leave it too wide to say",
}
