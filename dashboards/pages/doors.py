"""The list of doors: which one wants a look today, if any does."""

from dataclasses import dataclass

import numpy as np
from flask import Blueprint, render_template

from dashboards.figures import stills
from dashboards.figures.geometry import Still
from dashboards.figures.weeks import Weeks, weekly
from dashboards.pages import dates, telling, words
from dashboards.pages.facts import DoorFacts
from dashboards.pages.ours import all_facts, ours, sheet

pages = Blueprint("doors", __name__)

LEADS = {  # one door, several doors
    "open": (
        "has a joint that stands open; look at it today",
        "have a joint that stands open; look at them today",
    ),
    "opening": ("has a joint that is opening", "have a joint that is opening"),
    "taking_a_set": ("is taking a set", "are taking a set"),
    "not_heard": ("is not heard", "are not heard"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class DoorRow:
    """A door in the list."""

    name: str
    href: str
    state: str
    word: str
    say: str
    more: str
    spark: Still | None


@pages.get("/")
def doors() -> str:
    """Every door, most pressing first."""
    with ours().sessions() as session:
        told = all_facts(session)
        frame = sheet(session, title="Doors", nav="doors", heard=[one.door for one in told])
    depth, rows = _rows(told)
    return render_template("doors.html", sheet=frame, lead=lead(told), rows=rows, depth=depth)


def lead(told: list[DoorFacts]) -> str:
    """How many doors, where, and the ones to look at."""
    if not told:
        return "Nothing is being watched."
    places = " and ".join(dict.fromkeys(site_words(one.door.site) for one in told))
    said = [f"{words.count(len(told), 'door', 'doors')} at {places}."]
    for state, (one, many) in LEADS.items():
        names = [facts.door.shown for facts in told if facts.state == state]
        if names:
            said.append(f"{in_a_row(names)} {one if len(names) == 1 else many}.")
    if len(said) == 1:
        said.append(_quiet_lead({one.state_word for one in told}, drawn=any(_has_line(one) for one in told)))
    return " ".join(said)


def site_words(site: str) -> str:
    """A site's name as it is read: `saltmarsh-yard` is Saltmarsh Yard."""
    return site.replace("-", " ").title()


def in_a_row(names: list[str]) -> str:
    """Names in a sentence: "North", "North and South", "North, South and East"."""
    kept = [words.isolated(name) for name in names]
    return kept[0] if len(kept) == 1 else f"{', '.join(kept[:-1])} and {kept[-1]}"


def _quiet_lead(said: set[str], *, drawn: bool) -> str:
    if not drawn:
        return "No hung line is drawn yet, so nothing is told of them."
    if said == {words.STATES["settling"]}:
        return "Too little is heard yet to part season from set."
    if said <= {words.STATES["settling"], words.NOT_PARTED}:
        return "What stays is not told apart from the season yet; each door’s page says what would help."
    return "No joint is shown to be opening, and no growth of what stays is told apart from none."


def _has_line(facts: DoorFacts) -> bool:
    return facts.main is not None and facts.main.word("line") not in (None, "none")


def _rows(told: list[DoorFacts]) -> tuple[str, list[DoorRow]]:
    drawn = {one.door.id: _weeks(one) for one in told}
    every = [value for weeks in drawn.values() if weeks for value in (*weeks.seen, *weeks.fitted)]
    depth = max(0.2, float(np.ceil(np.nanmax([0.0, *every]) * 11) / 10))
    top = min(0.0, float(np.nanmin([0.0, *every])))
    starts = [float(weeks.day[0]) for weeks in drawn.values() if weeks]
    today = float(dates.day_number(ours().clock()))
    rows = []
    for one in told:
        weeks = drawn[one.door.id]
        say, more = telling.row(one)
        small = None
        if weeks:
            small = stills.spark(weeks, top_mm=top, depth_mm=depth, first_day=min(starts), last_day=today)
        rows.append(
            DoorRow(
                name=one.door.shown,
                href=one.href,
                state=one.state,
                word=one.state_word,
                say=say,
                more=more,
                spark=small,
            )
        )
    return words.measure(depth, "mm", 1), rows


def _weeks(facts: DoorFacts) -> Weeks | None:
    parts = facts.main.shown_parts if facts.main and _has_line(facts) else None
    return weekly(parts) if parts is not None and np.isfinite(parts.seen).any() else None
