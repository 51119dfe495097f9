"""The trend figures of a door's page: the corner's movement, and that of a joint under an alarm."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dashboards.figures import stills
from dashboards.figures.geometry import Still
from dashboards.figures.weeks import Weeks, weekly
from dashboards.pages import dates, telling, words
from dashboards.pages.facts import DoorFacts, Spent
from dashboards.pages.movement import Movement
from dashboards.pages.noticed import Tick

AHEAD_SPAN = "On to the limit"
NEW_LEAF = (
    " A new leaf often moves more in its first months than in any year after (common practice, no source)."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """What a trend shows: a movement, its limit, and how that limit is named in the drawing."""

    movement: Movement
    what: str
    limit: float | None
    limit_word: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """The trend as first drawn, with its words; `data`: where the live one comes from."""

    still: Still
    label: str
    caption: str
    is_parted: bool
    has_ahead: bool
    head: str
    unit: str
    name: str
    data: str


def main_drawn(facts: DoorFacts) -> Drawn | None:
    """The corner's movement, None while nothing is made of it."""
    if facts.main is None:
        return None
    limit = facts.leaf.limit if facts.leaf else None
    kept = "limit" if facts.at_gauge else "leaf meets the frame"
    what = "Droop at the gauge" if facts.at_gauge else "Corner droop"
    return Drawn(movement=facts.main, what=what, limit=limit, limit_word=_limit_word(kept, limit))


def joint_drawn(spent: Spent, movement: Movement) -> Drawn:
    """A joint's movement, with its days."""
    return Drawn(
        movement=movement,
        what=words.series(movement.key),
        limit=spent.limit,
        limit_word=_limit_word("limit", spent.limit),
    )


def weeks_of(drawn: Drawn | None) -> Weeks | None:
    """Weekly means, None while there is no line to count from or nothing heard."""
    one = None if drawn is None else drawn.movement
    parts = one.shown_parts if one and one.word("line") not in (None, "none") else None
    return weekly(parts) if parts is not None and np.isfinite(parts.seen).any() else None


def figure_words(facts: DoorFacts, drawn: Drawn, ticks: Sequence[Tick]) -> stills.Words:
    """What is written in the trend; a date only with its alarm, and none of a door that is silent."""
    quiet, today = None, None
    is_silent = facts.state == "not_heard"
    if is_silent and facts.heard:
        quiet = f"not heard since {dates.local_date(facts.heard, facts.zone)}"
        today = float(dates.day_number(facts.now))
    ahead = None if is_silent else drawn.movement.ahead
    onward = None
    is_within = drawn.limit is not None and (drawn.movement.number("stays") or 0.0) < drawn.limit
    if ahead is not None and is_within:
        latest = None if ahead.latest is None else float(ahead.latest)
        is_turn = drawn.movement.key.startswith("turn:")
        onward = stills.Onward(earliest=float(ahead.earliest), latest=None if is_turn else latest)
    return stills.Words(
        limit_mm=drawn.limit,
        limit=drawn.limit_word,
        line=telling.line_words(drawn.movement),
        quiet=quiet,
        today=today,
        ticks=tuple((float(tick.day), "?" if tick.is_found else "") for tick in ticks),
        onward=onward,
        unit=drawn.movement.unit,
    )


def trend(facts: DoorFacts, drawn: Drawn | None, ticks: Sequence[Tick] = ()) -> Trend | None:
    """The trend as first drawn."""
    weeks = weeks_of(drawn)
    if weeks is None or drawn is None:
        return None
    said = figure_words(facts, drawn, ticks)
    depth = stills.depth_of(weeks, said.limit_mm)
    hung = dates.month(dates.day_date(int(weeks.day[0])))
    name = words.isolated(facts.door.shown)
    unit, key = drawn.movement.unit, drawn.movement.key
    way = "below" if unit == "mm" and not key.startswith("opening:") else "open, counted from"
    of_joint = key.startswith(("turn:", "opening:"))
    return Trend(
        still=stills.trend(weeks, depth, said),
        label=f"{drawn.what} of {name} in {unit} {way} the {said.line}, from {hung}. "
        f"{_told(drawn.movement) if of_joint else telling.lead(facts)}",
        caption=_caption(weeks, depth, said, is_early=drawn.movement.why == "year"),
        is_parted=weeks.is_parted,
        has_ahead=said.onward is not None,
        head=f"{drawn.what} {'since it was hung' if weeks.is_parted else 'so far'}",
        unit=f"{unit} {way} the {said.line}",
        name=key.replace(":", "-"),
        data=f"/figures/{facts.door.site}/{facts.door.name}/trend.json{f'?series={key}' if of_joint else ''}",
    )


def _told(one: Movement) -> str:
    stays = one.number("stays")
    return "" if stays is None or not one.is_told else f"{words.measure(stays, one.unit)} of it stays."


def _limit_word(name: str, limit: float | None) -> str:
    return "" if limit is None else f"{name}, {words.number(limit)}"


def _caption(weeks: Weeks, depth: stills.Depth, said: stills.Words, *, is_early: bool) -> str:
    if not weeks.is_parted:
        return f"Measured only, nothing parted yet.{NEW_LEAF if is_early else ''}"
    kept = (
        "Red is what stays, from the hung line down to the red line; blue is what the season adds or lifts."
    )
    lines = [kept]
    if said.limit_mm is not None and not depth.shows_limit:
        lines.append(f"The limit, {words.measure(said.limit_mm, said.unit)}, lies below this drawing.")
    if said.ticks:
        lines.append("Ticks at the foot are in the log of marks; one with “?” nobody has logged.")
    if said.onward is not None:
        lines.append(
            f"“{AHEAD_SPAN}” is dotted: straight from what stays now to the limit, on the earliest day "
            f"{'alone' if said.onward.latest is None else 'and on the latest'}. No date says that it is safe "
            "until then."
        )
    return " ".join(lines)
