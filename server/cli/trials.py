"""Commands about trials: plan one, declare it, seal it before its data, and read its nights."""

import json
from collections.abc import Mapping
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from server.cli.opened import opened, said_table
from server.config import Settings

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from server.trials.looks import KeptLook
    from server.trials.planned import Planned
    from server.trials.store import Draft, Trial

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON.")
QUANTITIES = {
    "turn_per_100_n_m": "mrad a year per 100 N m",
    "turn_per_100_n_m_per_10000": "mrad per 100 N m and 10,000 openings",
    "droop": "mm a year",
}
NOT_PLANNED = (
    "What it could tell is not reckoned yet: that takes 180 counted days of each door's openings. "
    "It loses nothing by that."
)
PLAN_SEED = 5184
"""The planner draws invented trials of a kind; the same ask gives the same answer."""


@click.group()
def trial() -> None:
    """Does this way of joining turn less than that one? Declared before the data."""


@trial.command("example")
def trial_example() -> None:
    """Print a declaration to start from."""
    from server.trials.example import EXAMPLE

    click.echo(EXAMPLE, nl=False)


@trial.command("plan")
@click.option("--pairs", type=int, required=True, help="Pairs of doors.")
@click.option("--years", type=float, default=6.0, show_default=True, help="How long it runs.")
@click.option("--difference", type=float, required=True, help="A year, that would change what you build.")
@click.option("--between", type=float, help="Spread between pairs, a year; without it three are assumed.")
@click.option("--moment", type=float, help="N m that the joints carry: a turn per 100 N m; without it droop.")
@AS_JSON
def trial_plan(
    pairs: int, years: float, difference: float, between: float | None, moment: float | None, *, as_json: bool
) -> None:
    """What a trial could tell, and when: to be read before anything is declared."""
    from numpy.random import default_rng

    from server.trend.trial_error import DROOP_MM, TURN_MRAD
    from server.trend.trial_plan import Ask
    from server.trials.planned import PER_N_M, plan

    error = DROOP_MM if moment is None else TURN_MRAD.times(PER_N_M / moment)
    ask = Ask(pairs=pairs, horizon_years=years, difference=difference, error=error)
    planned = plan(ask, default_rng(PLAN_SEED), between=between)
    unit = QUANTITIES["droop" if moment is None else "turn_per_100_n_m"]
    if as_json:
        click.echo(json.dumps(asdict(planned), indent=2))
    else:
        click.echo("\n".join(planned_lines(planned, unit)))


@trial.command("declare")
@click.argument("file", type=FILE)
@click.option("--by", required=True, help="Who declares it.")
@click.option("--amends", metavar="SEAL", help="The sealed trial that it would replace.")
@click.option("--reason", help="Why it is amended.")
@AS_JSON
@click.pass_obj
def trial_declare(
    settings: Settings, file: Path, by: str, amends: str | None, reason: str | None, *, as_json: bool
) -> None:
    """Keep FILE as a draft: it may still be changed, and counts for nothing until it is sealed."""
    from server.clock import utc_now
    from server.database import session_of
    from server.trials import store

    given = _read(file)
    with opened(settings) as engine, session_of(engine) as session:
        if amends is None:
            number = store.declare(session, given, by=by, clock=utc_now)
        else:
            number = store.amend(session, amends, given, reason=reason or "", by=by, clock=utc_now)
        draft = store.draft(session, number)
        planned, warnings = _planned(session, draft)
    if as_json:
        plan = None if planned is None else asdict(planned)
        told = {"draft": number, "record": draft.record, "plan": plan, "warnings": warnings}
        click.echo(json.dumps(told, ensure_ascii=False, indent=2))
        return
    click.echo("\n".join([f"Draft {number}.", *_record_lines(draft.record)]))
    click.echo("\n".join(["", *_plan_of_draft(planned, draft)]))
    click.echo("\n".join(["", *warnings, f"Seal it before its data: hangtrue trial seal {number}"]))


@trial.command("seal")
@click.argument("number", metavar="DRAFT", type=int)
@click.option("--yes", is_flag=True, help="Do not ask.")
@click.pass_obj
def trial_seal(settings: Settings, number: int, *, yes: bool) -> None:
    """Seal a draft: from then on it can't be changed, only replaced by another that says so."""
    from server.clock import utc_now
    from server.database import session_of
    from server.trials import store
    from server.trials.canonical import shown
    from server.trials.words import KEEP_A_COPY

    with opened(settings) as engine:
        with session_of(engine) as session:
            draft = store.draft(session, number)
            planned, warnings = _planned(session, draft)
            lines = [*_record_lines(draft.record), ""]
            lines += [*_plan_of_draft(planned, draft), "", *warnings]
        click.echo("\n".join(lines))
        if not yes:
            click.confirm("Seal this? It can't be changed afterwards", abort=True)
        with session_of(engine) as session:
            seen_until = _seen_until(session, draft)
            seal = store.seal_trial(session, number, clock=utc_now, seen_until=seen_until)
    click.echo(f"Sealed: {shown(seal)}\n{KEEP_A_COPY}")


@trial.command("list")
@AS_JSON
@click.pass_obj
def trial_list(settings: Settings, *, as_json: bool) -> None:
    """Drafts and sealed trials, with what each has told."""
    from server.database import session_of
    from server.trials import store
    from server.trials.looks import looks_of, told

    with opened(settings) as engine, session_of(engine) as session:
        drafts, trials = store.drafts(session), store.list_trials(session)
        looks = {one.seal: (told(session, one.seal), looks_of(session, one.seal)) for one in trials}
    if as_json:
        click.echo(json.dumps(_listed(drafts, trials, looks), ensure_ascii=False, indent=2))
        return
    for draft in drafts:
        click.echo(f"draft {draft.id}  {draft.record['question']}  by {draft.by}, not sealed")
    rows = [_row(one, *looks[one.seal]) for one in trials]
    if rows:
        click.echo(said_table(["seal", "started", "nights", "question", "word"], rows))
    elif not drafts:
        click.echo("No trial is declared yet: hangtrue trial example")


@trial.command("show")
@click.argument("seal", metavar="SEAL")
@AS_JSON
@click.pass_obj
def trial_show(settings: Settings, seal: str, *, as_json: bool) -> None:
    """A sealed trial, checked against its seal, and its last night."""
    from server.database import session_of
    from server.trials import store
    from server.trials.canonical import shown
    from server.trials.looks import looks_of, told
    from server.trials.words import closing, which_of_the_line

    with opened(settings) as engine, session_of(engine) as session:
        found = store.find(session, seal)
        first, looks = told(session, found.seal), looks_of(session, found.seal)
    if as_json:
        facts = {"seal": found.seal, "record": found.record, "looks": [asdict(one) for one in looks]}
        click.echo(json.dumps(facts, ensure_ascii=False, indent=2))
        return
    lines = [f"Seal {shown(found.seal)}: the record agrees with it.", *_record_lines(found.record)]
    if found.replaced_by:
        lines.append(f"Replaced by {shown(found.replaced_by)}.")
    if which := which_of_the_line(found.place, found.line_length):
        lines.append(which)
    click.echo("\n".join([*lines, "", *look_lines(found, looks, first), closing(found.declared)]))


@trial.command("withdraw")
@click.argument("seal", metavar="SEAL")
@click.option("--by", required=True, help="Who withdraws it.")
@click.option("--reason", required=True, help="Why.")
@click.pass_obj
def trial_withdraw(settings: Settings, seal: str, by: str, reason: str) -> None:
    """End a trial by an amendment that names no doors; what it told stays."""
    from server.clock import utc_now
    from server.database import session_of
    from server.trials import store
    from server.trials.canonical import shown

    with opened(settings) as engine, session_of(engine) as session:
        ended = store.withdraw(session, seal, reason=reason, by=by, clock=utc_now)
    click.echo(f"Withdrawn: {shown(ended)}")


@trial.command("export")
@click.argument("seal", metavar="SEAL")
@click.pass_obj
def trial_export(settings: Settings, seal: str) -> None:
    """Print the record, its seal and every look as JSON, to be kept elsewhere."""
    from server.database import session_of
    from server.trials.export import export

    with opened(settings) as engine, session_of(engine) as session:
        click.echo(export(session, seal).decode("utf-8"))


def planned_lines(planned: "Planned", unit: str) -> list[str]:
    """The planner's figures as sentences."""
    doors, ask = planned.doors, planned.doors.ask
    pairs = "1 pair" if ask.pairs == 1 else f"{ask.pairs} pairs"
    lines = [
        f"{pairs}, {ask.horizon_years:.3g} years, difference {ask.difference:g} {unit}:",
        f"  these doors: told by the end in {doors.told_by_end:.0%} of such trials; "
        f"bounds at the end ± {doors.half_width_at_end:.3f}",
        f"  can't tell before {_years(doors.not_before_years)}; as likely as not by "
        f"{_years(doors.even_chance_years)}",
        f"  least difference told in 4 of 5: {doors.least_difference:.3f}; for {ask.difference:g} it takes "
        f"{planned.pairs_needed} pair{'' if planned.pairs_needed == 1 else 's'}",
    ]
    lines += [
        f"  this way of joining, if pairs differ by {one.spread:.3g} (assumed): told by the end in "
        f"{one.by_year[-1]:.0%}"
        for one in planned.kind
        if one.by_year
    ]
    if not planned.may_promise_no_difference:
        lines.append("  It could not end with No difference that matters: the bounds stay wider than that.")
    if ask.pairs == 1:
        lines.append("  One pair tells a failing joint from a sound one, not a good one from a better one.")
    return lines


def look_lines(found: "Trial", looks: tuple["KeptLook", ...], first: "KeptLook | None") -> list[str]:
    """The last night of a trial in words, and the night on which it told."""
    from server.trials.words import beside, told_on, verdict

    if not looks:
        return ["No night was looked at yet: the first comes a year after the start."]
    last, declared = looks[-1], found.declared
    names = declared.side_a.name, declared.side_b.name
    shown = first or last
    lines = [f"{verdict(shown.word, *names)}. {beside(shown, declared, *names)}".strip()]
    if last.estimate is not None and last.low is not None and last.high is not None:
        unit = QUANTITIES[declared.quantity]
        lines.append(
            f"{names[1]} less {names[0]}: {last.estimate:+.3f} {unit}, "
            f"bounds {last.low:+.3f} to {last.high:+.3f}"
        )
    if first is not None:
        lines.append(told_on(first, last))
    return lines


def _read(file: Path) -> dict[str, Any]:
    import tomllib

    from server.errors import FileError

    try:
        return tomllib.loads(file.read_text("utf-8"))
    except UnicodeDecodeError:
        raise FileError(f"read {file}", "UTF-8 text", ["other bytes came"]) from None
    except tomllib.TOMLDecodeError as error:
        raise FileError(f"read {file}", "TOML", [str(error)]) from None


def _plan_of_draft(planned: "Planned | None", draft: "Draft") -> list[str]:
    if planned is None:
        return [NOT_PLANNED]
    return planned_lines(planned, QUANTITIES[str(draft.record["quantity"])])


def _planned(session: "Session", draft: "Draft") -> tuple["Planned | None", list[str]]:
    """The planner's figures, None where they need openings that are not counted yet; and the warnings."""
    from numpy.random import default_rng

    from server.trials.planned import ask_of, plan, warned
    from server.trials.words import WARNINGS

    openings = None
    if draft.record["quantity"] == "turn_per_100_n_m_per_10000":
        openings = _openings_a_year(session, draft)
        if openings is None:
            return None, []
    ask = ask_of(draft.record, openings_a_year=openings)
    is_seen = _seen_until(session, draft) is not None
    warnings = warned(draft.record, ask, is_seen=is_seen)
    return plan(ask, default_rng(PLAN_SEED)), [f"Note: {WARNINGS[one]}" for one in warnings]


def _openings_a_year(session: "Session", draft: "Draft") -> float | None:
    """The geometric mean of the doors' openings a year; None where any was not counted for half a year."""
    from statistics import geometric_mean

    from server.clock import utc_now
    from server.doors.register import find_door
    from server.inspection.use import openings_a_year
    from server.trials.declared import sides_of

    found: list[float] = []
    end_day = utc_now().toordinal() - date(1970, 1, 1).toordinal()
    for side in (one for sides in sides_of(draft.record) for one in sides):
        door = find_door(session, str(side["door"]))
        hung_day = door.hung.toordinal() - date(1970, 1, 1).toordinal()
        year = openings_a_year(session, door, hung_day, end_day)
        if year is None:
            return None
        found.append(year)
    return geometric_mean(found)


def _seen_until(session: "Session", draft: "Draft") -> date | None:
    """The last day on which any joint of the trial was heard; None for never."""
    from datetime import UTC, datetime

    from server.doors.register import find_door
    from server.readings.store import heard
    from server.trials.declared import sides_of

    last: list[int] = []
    for side in (one for sides in sides_of(draft.record) for one in sides):
        door = find_door(session, str(side["door"]))
        known = heard(session, [one.id for one in door.channels.values()])
        last += [] if known is None else [known[1]]
    return datetime.fromtimestamp(max(last) / 1000, UTC).date() if last else None


def _record_lines(record: Mapping[str, object]) -> list[str]:
    from server.trials.declared import sides_of
    from server.trials.words import READ_BY

    a, b = sides_of(record)
    sides: dict[str, Any] = {"a": record["side_a"], "b": record["side_b"]}
    lines = [
        str(record["question"]),
        f"  {sides['a']['name']} against {sides['b']['name']}, {record['place']}; speaks of "
        f"{'these doors' if record['scope'] == 'doors' else 'this way of joining'}",
        f"  from {record['starts_on']}, {record['horizon_days']} days; the difference that matters: "
        f"{record['band']} {QUANTITIES[str(record['quantity'])]}",
        f"  {READ_BY[str(record['method'])]}",
    ]
    return lines + [f"  {_side(one)} against {_side(other)}" for one, other in zip(a, b, strict=False)]


def _side(side: Mapping[str, object]) -> str:
    joints, moment = side["joints"], side["moment_n_m"]
    names = ", ".join(joints) if isinstance(joints, list) else str(joints)
    given = ", ".join(moment) if isinstance(moment, list) else moment
    return f"{side['door']} ({names}{'' if given is None else f'; {given} N m'})"


def _row(found: "Trial", first: "KeptLook | None", looks: tuple["KeptLook", ...]) -> list[str]:
    from server.trials.words import verdict

    declared = found.declared
    names = declared.side_a.name, declared.side_b.name
    last = first or (looks[-1] if looks else None)
    word = "not looked at yet" if last is None else verdict(last.word, *names)
    if not found.stands:
        word = "replaced" if found.replaced_by else "withdrawn"
    nights = len({one.night for one in looks})
    return [found.seal[:8], declared.starts_on.isoformat(), str(nights), declared.question, word]


def _listed(
    drafts: tuple["Draft", ...],
    trials: tuple["Trial", ...],
    looks: Mapping[str, tuple["KeptLook | None", tuple["KeptLook", ...]]],
) -> dict[str, object]:
    return {
        "drafts": [{"draft": one.id, "by": one.by, "record": one.record} for one in drafts],
        "trials": [
            {
                "seal": one.seal,
                "stands": one.stands,
                "record": one.record,
                "nights": len(looks[one.seal][1]),
                "word": None if looks[one.seal][0] is None else looks[one.seal][0].word,  # type: ignore[union-attr]  # asked on the same line
            }
            for one in trials
        ],
    }


def _years(years: float | None) -> str:
    return "the end" if years is None else f"year {years:.1f}"
