"""What was said of a door over the years, and how it stands up to what came later."""

import json
from dataclasses import asdict
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

import click

from server.cli.opened import opened, said_table
from server.config import Settings

if TYPE_CHECKING:
    from server.inspection.scoring import DateSaid, Score, YearSaid

HEAD = ["what", "night", "what stays", "between", "known now", "held"]


def said_record(settings: Settings, door: str, *, as_json: bool) -> None:
    """Print the record of a door. Raises UnknownDoorError."""
    from server.database import session_of
    from server.doors.register import find_door
    from server.inspection.scoring import scored

    with opened(settings) as engine, session_of(engine) as session:
        hung = find_door(session, door)
        score = scored(session, hung.id)
    if as_json:
        click.echo(
            json.dumps({"door": hung.ref, **asdict(score)}, default=_plain, ensure_ascii=False, indent=2)
        )
    else:
        click.echo("\n".join(record_lines(hung.ref, score)))


def record_lines(ref: str, score: "Score") -> list[str]:
    """The record as a table of the years' ends, the share that held, and the dates."""
    from server.inspection.scoring import NOT_YET

    if not score.series:
        return [f"{ref}: nothing has been said of it yet: hangtrue inspect"]
    rows = [_row(one.series, one.unit, year) for one in score.series for year in one.years]
    lines = [f"{ref}: what was said at each year's end, and what is known of that day now"]
    lines += [said_table(HEAD, rows)] if rows else ["No night at the end of a year of it was looked at yet."]
    again = score.nights_said_again
    if not score.asked:
        lines.append(NOT_YET)
    else:
        many = "one interval" if score.asked == 1 else f"{score.asked} intervals"
        lines.append(f"Of {many}, one a month, {score.held} held what is known now.")
    if again:
        many = "One night was" if again == 1 else f"{again} nights were"
        lines.append(f"{many} said otherwise later: a mark or readings had come, or it was looked at again.")
    return lines + [_date(one) for one in score.dates]


def _row(series: str, unit: str, year: "YearSaid") -> list[str]:
    said = year.said
    held = {True: "yes", False: "no", None: "-"}[year.is_held]
    between = "-" if said.stays_low is None else f"{said.stays_low:.2f} to {said.stays_high:.2f}"
    return [series, said.slot, _number(said.stays, unit), between, _number(year.later, unit), held]


def _date(one: "DateSaid") -> str:
    said = one.said
    until = "how long after was not known" if said.latest is None else f"at the latest {_day(said.latest)}"
    reached = "not reached so far" if one.reached is None else f"reached {_day(one.reached)}"
    met = {True: ", as was said", False: ", not as was said", None: ""}[one.is_met]
    return (
        f"{said.series}: on {said.slot} its limit not before {_day(said.earliest)}, {until}; {reached}{met}."
    )


def _number(value: float | None, unit: str) -> str:
    return "not told" if value is None else f"{round(value, 2) + 0.0:.2f} {unit}"


def _day(day: int | None) -> str:
    return "an unknown day" if day is None else (date(1970, 1, 1) + timedelta(days=day)).isoformat()


def _plain(value: object) -> str:
    return value.isoformat() if isinstance(value, date | datetime) else str(value)
