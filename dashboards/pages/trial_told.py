"""A sealed trial in words: its word, how it was declared, what it could tell, and its nights."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from dashboards.figures.geometry import Still
from dashboards.figures.nights import Night, nights
from dashboards.pages import dates, words
from dashboards.pages.compare_words import Bounds, Names, Verdict, drawn_verdict, number_of
from server.database import Session
from server.doors.register import find_door
from server.errors import UnknownDoorError
from server.trials import words as said
from server.trials.canonical import canonical, shown
from server.trials.declared import Declared, Side
from server.trials.looks import KeptLook, looks_of, told, years_since
from server.trials.planned import Planned, ask_of, plan
from server.trials.store import Trial

QUANTITIES = {
    "turn_per_100_n_m": "mrad a year for each 100\u00a0N·m",
    "turn_per_100_n_m_per_10000": "mrad for each 100\u00a0N·m and 10,000 openings",
    "droop": "mm a year",
}
EVENTS = {
    ("re_hang", "step"): "A door that is hung anew: counted as a step.",
    ("gauge_changed", "step"): "A gauge that is changed: counted as a step.",
    (
        "joint_repaired",
        "ends_pair",
    ): "A joint that is repaired: its pair ends and keeps what it showed.",
    ("door_removed", "ends_pair"): "A door that is taken away: its pair ends and keeps what it showed.",
}
PLAN_SEED = 5184
NONE_YET = "No night was looked at yet: the first comes a year after the start."


@dataclass(frozen=True, slots=True, kw_only=True)
class NightRow:
    """A night's row: its date, what it told, between what, and its word."""

    iso: str
    day: str
    middle: str
    between: str
    word: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialView:
    """All that a page says of a sealed trial."""

    seal: str
    short: str
    groups: tuple[str, ...]
    question: str
    verdict: Verdict
    told_on: str
    ended: str
    which: str
    plan: tuple[str, ...]
    declared: tuple[tuple[str, str], ...]
    nights: tuple[NightRow, ...]
    count: int
    still: Still | None
    unit: str
    closing: str
    canonical: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """A trial's row in the list."""

    short: str
    shown: str
    question: str
    started: str
    nights: int
    word: str


def trial_view(session: Session, trial: Trial) -> TrialView:
    """A trial as the pages show it."""
    declared, looks = trial.declared, looks_of(session, trial.seal)
    first = told(session, trial.seal)
    names = names_of(session, trial)
    return TrialView(
        seal=trial.seal,
        short=trial.seal[:8],
        groups=tuple(shown(trial.seal, 64).split()),
        question=declared.question,
        verdict=verdict_of(declared, names, looks, first),
        told_on=said.told_on(first, looks[-1]) if first is not None else "",
        ended=_ended(trial),
        which=said.which_of_the_line(trial.place, trial.line_length),
        plan=plan_words(trial),
        declared=declared_rows(trial),
        nights=night_rows(names, looks),
        count=len({one.night for one in looks}),
        still=drawn(declared, looks),
        unit=QUANTITIES[declared.quantity],
        closing=said.closing(declared),
        canonical=canonical(dict(trial.record)).decode("utf-8"),
    )


def listed(session: Session, trial: Trial) -> Listed:
    """A trial's row."""
    looks = looks_of(session, trial.seal)
    last = told(session, trial.seal) or (looks[-1] if looks else None)
    word = NONE_YET if last is None else said.verdict(last.word, *names_of(session, trial))
    return Listed(
        short=trial.seal[:8],
        shown=shown(trial.seal),
        question=trial.declared.question,
        started=dates.long_date(trial.declared.starts_on),
        nights=len({one.night for one in looks}),
        word=_ended(trial) or word,
    )


def names_of(session: Session, trial: Trial) -> Names:
    """The two doors' names where it speaks of one pair of doors, else those of the two ways of joining."""
    declared = trial.declared
    if declared.scope == "doors" and declared.size == 1:
        return _door_name(session, declared.a[0]), _door_name(session, declared.b[0])
    return words.isolated(declared.side_a.name), words.isolated(declared.side_b.name)


def verdict_of(
    declared: Declared, names: Names, looks: Sequence[KeptLook], first: KeptLook | None
) -> Verdict:
    """The kept word, or tonight's; figures and drawing are those of the last night."""
    if not looks:
        return Verdict(word="cant_tell_yet", head="Not looked at yet", say=NONE_YET)
    last, is_droop = looks[-1], declared.quantity == "droop"
    word = first or last
    beside = said.beside(word, declared, *names)
    head = said.verdict(word.word, *names)
    if last.estimate is None or last.low is None or last.high is None:
        return Verdict(word=word.word, head=head, say=beside)
    bounds = Bounds(middle=last.estimate, low=last.low, high=last.high, band=declared.band)
    per = "100{nbsp}N·m it carries"
    if declared.quantity == "turn_per_100_n_m_per_10000":
        per += " and 10,000 openings"
    return drawn_verdict(word.word, bounds, names, is_droop=is_droop, more=beside, per=per)


def plan_words(trial: Trial) -> tuple[str, ...]:
    """What it could tell, reckoned before it began; empty where it is withdrawn or counted by openings."""
    if trial.declared.is_withdrawn or trial.declared.quantity == "turn_per_100_n_m_per_10000":
        return ()
    return planned_words(_planned(trial.seal, canonical(dict(trial.record))), trial.declared.quantity)


def planned_words(planned: Planned, quantity: str) -> tuple[str, ...]:
    """The planner's figures in sentences."""
    doors, ask, unit = planned.doors, planned.doors.ask, QUANTITIES[quantity]
    number = number_of(ask.difference)
    pairs = words.count(ask.pairs, "pair", "pairs")
    years = f"{ask.horizon_years:.3g}{words.NBSP}years"
    lines = [
        f"{pairs} for {years}. The smallest difference that is told in four trials of five: "
        f"{number(doors.least_difference)} {unit}.",
        f"A difference of {number(ask.difference)} can’t be told before {_year(doors.not_before_years)}, is "
        f"as likely as not told by {_year(doors.even_chance_years)}, and is told by the end in "
        f"{doors.told_by_end * 100:.0f} of 100 such trials. For four in five it takes "
        f"{words.count(planned.pairs_needed, 'pair', 'pairs').lower()}.",
    ]
    kinds = [one for one in planned.kind if one.by_year]
    if kinds:
        chances = "; ".join(
            f"{one.by_year[-1] * 100:.0f} of 100 if pairs differ by {number_of(0)(one.spread)}"
            for one in kinds
        )
        lines.append(
            f"Of this way of joining it tells by the end in {chances} (assumed: no source gives it)."
        )
    if not planned.may_promise_no_difference:
        lines.append("It could not end with No difference that matters: its bounds stay wider than that.")
    if ask.pairs == 1:
        lines.append("One pair tells a failing joint from a sound one, not a good one from a better one.")
    return tuple(lines)


def declared_rows(trial: Trial) -> tuple[tuple[str, str], ...]:
    """The record, field by field in words."""
    one, number = trial.declared, number_of(trial.declared.band)
    rows = [
        ("Question", one.question),
        ("Place", one.place),
        ("Declared", f"{dates.long_date(one.declared_on)}, by {one.declared_by}"),
        ("One side", f"{one.side_a.name}: {'; '.join(_side(side) for side in one.a) or 'no door'}"),
        ("The other", f"{one.side_b.name}: {'; '.join(_side(side) for side in one.b) or 'no door'}"),
        ("Doors", "In pairs" if one.design == "pairs" else "In two groups, not matched"),
        ("Speaks of", "these doors" if one.scope == "doors" else "this way of joining"),
        ("Measured", QUANTITIES[one.quantity]),
        ("The difference that matters", f"{number(one.band)} {QUANTITIES[one.quantity]}"),
        (
            "From and to",
            f"{dates.long_date(one.starts_on)} to {dates.long_date(trial.last_day)}; read from a year on",
        ),
        ("Bounds", said.READ_BY[one.method.name]),
        ("Left out", " ".join(EVENTS[item] for item in one.exclusions.items()) or "Nothing."),
        (
            "Heard before",
            "Nothing" if one.seen_until is None else f"Readings to {dates.long_date(one.seen_until)}",
        ),
    ]
    if one.reason is not None and one.amends is not None:
        rows.append(("Replaces", f"{shown(one.amends)}, because: {one.reason}"))
    return tuple(rows)


def night_rows(names: Names, looks: Sequence[KeptLook]) -> tuple[NightRow, ...]:
    """Newest first: the last night of each month, each by its newest look."""
    last: dict[tuple[int, int], KeptLook] = {}
    for one in looks:
        day = dates.day_date(one.night)
        last[(day.year, day.month)] = one
    return tuple(_row(names, one) for one in reversed(last.values()))


def drawn(declared: Declared, looks: Sequence[KeptLook]) -> Still | None:
    """The bounds by night; None before two nights have any."""
    told_of = {
        one.night: Night(
            years=years_since(declared.starts_on, one.night), middle=one.estimate, low=one.low, high=one.high
        )
        for one in looks
        if one.estimate is not None and one.low is not None and one.high is not None
    }
    if len(told_of) < 2:
        return None
    return nights(list(told_of.values()), horizon_years=declared.horizon_years, band=declared.band)


@lru_cache(maxsize=64)
def _planned(_seal: str, body: bytes) -> Planned:
    """A sealed record's plan never changes."""
    import json

    return plan(ask_of(json.loads(body)), np.random.default_rng(PLAN_SEED))


def _row(names: Names, one: KeptLook) -> NightRow:
    day = dates.day_date(one.night)
    middle = between = "—"
    if one.estimate is not None and one.low is not None and one.high is not None:
        number = number_of(max(abs(one.low), abs(one.high)))
        middle, between = number(one.estimate), f"{number(one.low)} to {number(one.high)}"
    return NightRow(
        iso=day.isoformat(),
        day=dates.long_date(day),
        middle=middle,
        between=between,
        word=said.verdict(one.word, *names),
    )


def _door_name(session: Session, side: Side) -> str:
    try:
        return words.isolated(find_door(session, side.door).shown)
    except UnknownDoorError:
        return words.isolated(side.door)


def _side(side: Side) -> str:
    joints = ", ".join(words.place(one).lower() for one in side.joints)
    moments = ", ".join(words.measure(one, "N·m", 2) for one in side.moments_n_m)
    carried = f", carrying {moments}" if moments else ""
    return f"{side.door}, {joints}{carried}"


def _ended(trial: Trial) -> str:
    if trial.replaced_by is not None:
        return f"Replaced by {shown(trial.replaced_by)}."
    return "Withdrawn." if trial.declared.is_withdrawn else ""


def _year(years: float | None) -> str:
    return "its end" if years is None else f"year{words.NBSP}{years:.1f}"
