"""Two doors side by side, first form: the growth of the droop of each, which is not yet the joint's."""

from dataclasses import dataclass

import numpy as np
from flask import Blueprint, Response, abort, jsonify, render_template, request

from dashboards.figures import drawing, live, stills
from dashboards.figures.drawing import Interval
from dashboards.figures.stills import PairLine
from dashboards.figures.weeks import weekly
from dashboards.pages import dates, words
from dashboards.pages.carpentry import load_told
from dashboards.pages.facts import DoorFacts, Movement
from dashboards.pages.ours import all_facts, ours, sheet
from server.doors.built import joint_words
from server.errors import UnknownDoorError
from server.trend.compare import difference
from server.trend.decompose import Status

pages = Blueprint("compare", __name__)
MONTH_DAYS = 30.44
YEAR_DAYS = 365
STATUSES: dict[str, Status] = {"refused": "refused", "provisional": "provisional", "served": "served"}


@dataclass(frozen=True, slots=True, kw_only=True)
class DoorRate:
    """The growth of one door's droop, as the trend compares it."""

    status: Status
    reason: str | None
    rate: float | None
    rate_low: float | None
    rate_high: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The boxed answer: first words, the sentence, what follows it, and the interval's drawing."""

    head: str
    say: str
    more: str
    interval: Interval | None = None
    left: str = ""
    right: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unlike:
    """One thing that is known to differ, and what it does to the comparison."""

    what: str
    first: str
    second: str
    effect: str


@pages.get("/compare")
def compare() -> str:
    """Whether the droop of one door grows more than the other's."""
    with ours().sessions() as session:
        told = sorted(all_facts(session), key=lambda one: one.door.ref)
        frame = sheet(session, title="Compare", nav="compare", heard=[one.door for one in told])
    chosen = _chosen(told)
    if chosen is None:
        return render_template("compare.html", sheet=frame, doors=told, chosen=None)
    a, b = chosen
    lines = pair_lines(a, b)
    return render_template(
        "compare.html",
        sheet=frame,
        doors=told,
        chosen=chosen,
        verdict=verdict(a, b),
        still=stills.pair(lines) if lines else None,
        unlike=unlike(a, b),
        two_doors=words.TWO_DOORS,
    )


@pages.get("/figures/pair.json")
def pair_data() -> Response:
    """The live figure of two doors."""
    with ours().sessions() as session:
        chosen = _chosen(all_facts(session))
    lines = pair_lines(*chosen) if chosen else []
    if not lines:
        abort(404)
    return jsonify(live.pair(lines))


def verdict(a: DoorFacts, b: DoorFacts) -> Verdict:
    """The answer in the words of the look: can't tell yet, one grows more, or not to be compared."""
    name_a, name_b = words.isolated(a.door.shown), words.isolated(b.door.shown)
    refused = not_compared(a, b)
    if refused or a.main is None or b.main is None:
        return Verdict(head="Not to be compared", say=refused, more="")
    told = difference(_rate(b.main), _rate(a.main))  # a less b
    if told.difference is None or told.low is None or told.high is None:
        return Verdict(
            head="Not to be compared", say=words.not_known("other", reason=told.reason or ""), more=""
        )
    apart, low, high = told.difference, told.low, told.high
    few = " So far: two seasons are few, and the bounds may move." if told.status == "provisional" else ""
    drawn = drawing.interval(low, apart, high)
    left, right = f"{name_a}’s grows less", f"{name_a}’s grows more"
    if low <= 0 <= high:
        more = (
            f"Until they are told apart either may be the better. When that will be is not reckoned yet.{few}"
        )
        return Verdict(
            head="Can’t tell yet", say=_between(name_a, name_b, apart, low, high), more=more,
            interval=drawn, left=left, right=right,
        )  # fmt: skip
    first, other = (name_a, name_b) if low > 0 else (name_b, name_a)
    size, least, most = (apart, low, high) if low > 0 else (-apart, -high, -low)
    say = (
        f"{first}’s droop grows {words.measure(size, 'mm')} a year more than {other}’s, "
        f"between {words.number(least)} and {words.number(most)}."
    )
    return Verdict(
        head=f"{first}’s droop grows more", say=say, more=few.strip(), interval=drawn, left=left, right=right
    )


def not_compared(a: DoorFacts, b: DoorFacts) -> str:
    """Why the two are not to be compared, empty where they are."""
    if a.door.id == b.door.id:
        return "It is one door. Choose two."
    if a.main is None or b.main is None:
        silent = a if a.main is None else b
        return f"Nothing is known yet of {words.isolated(silent.door.shown)}’s droop."
    return _too_short(a.main, b.main) or _not_told(a) or _not_told(b) or _not_alike(a, b)


def unlike(a: DoorFacts, b: DoorFacts) -> list[Unlike]:
    """Every difference that is known, and whether it was taken out."""
    return [
        Unlike(what="Joint", first=_joint(a), second=_joint(b), effect="This is what is asked."),
        Unlike(
            what="Carried at this joint",
            first=_carried(a),
            second=_carried(b),
            effect="Not taken out. So this compares the droop of two doors, not their joints.",
        ),
        Unlike(
            what="Hung",
            first=dates.local_date(a.door.hung, a.zone),
            second=dates.local_date(b.door.hung, b.zone),
            effect=_hung_effect(a, b),
        ),
        Unlike(what="Leaf", first=_size(a), second=_size(b), effect=_size_effect(a, b)),
        Unlike(
            what="Timber",
            first=a.door.built.species,
            second=b.door.built.species,
            effect=_timber_effect(a, b),
        ),
        Unlike(
            what="Damp in the wood, year’s swing", first=_damp(a), second=_damp(b), effect=_damp_effect(a, b)
        ),
        Unlike(
            what="Openings a day, sun and rain",
            first="Not recorded",
            second="Not recorded",
            effect="Not taken out. Bear it in mind.",
        ),
    ]


def pair_lines(a: DoorFacts, b: DoorFacts) -> list[PairLine]:
    """What stays of both by years since hung; none unless both are told."""
    if a.door.id == b.door.id or not (a.main and b.main and a.main.is_told and b.main.is_told):
        return []
    return [line for line in (_line(a, is_dashed=False), _line(b, is_dashed=True)) if line]


def _too_short(a: Movement, b: Movement) -> str:
    shared = _shared_days(a, b)
    if shared is None or shared >= YEAR_DAYS:
        return ""
    months = int(shared / MONTH_DAYS)
    heard = f"{months}{words.NBSP}month{'' if months == 1 else 's'}"
    return f"The two have been heard together for {heard}; it takes a year."


def _not_told(one: DoorFacts) -> str:
    if one.main is None or one.main.why is None:
        return ""
    why = words.not_known(one.main.why, help_key=one.main.word("help"), reason=one.main.reason)
    return f"{words.isolated(one.door.shown)}’s droop: {why}"


def _not_alike(a: DoorFacts, b: DoorFacts) -> str:
    if a.at_gauge == b.at_gauge:
        return ""
    return "One is read at a single gauge, the other over its whole leaf; the two are not the same thing."


def _chosen(told: list[DoorFacts]) -> tuple[DoorFacts, DoorFacts] | None:
    if len(told) < 2:
        return None
    by_ref = {f"{one.door.site}/{one.door.name}": one for one in sorted(told, key=lambda one: one.door.ref)}
    first, second = list(by_ref)[:2]
    asked = request.args.get("a", first), request.args.get("b", second)
    for ref in asked:
        if ref not in by_ref:
            raise UnknownDoorError("compare two doors", "doors that are hung here", repr(ref[:40]))
    return by_ref[asked[0]], by_ref[asked[1]]


def _rate(main: Movement) -> DoorRate:
    status = STATUSES.get(main.status, "refused")
    return DoorRate(
        status=status, reason=main.reason or None, rate=main.rate, rate_low=main.low, rate_high=main.high
    )


def _between(name_a: str, name_b: str, apart: float, low: float, high: float) -> str:
    way = "more" if apart >= 0 else "less"
    less, more = words.number(-low), words.number(high)
    return (
        f"{name_a}’s droop grows {words.measure(abs(apart), 'mm')} a year {way} than {name_b}’s, "
        f"but it may be anything from {less} less to {more} more."
    )


def _shared_days(a: Movement, b: Movement) -> float | None:
    first = [one.number("first_day") for one in (a, b)]
    last = [one.number("last_day") for one in (a, b)]
    if None in first or None in last:
        return None
    return max(0.0, min(v for v in last if v is not None) - max(v for v in first if v is not None) + 1)


def _line(one: DoorFacts, *, is_dashed: bool) -> PairLine | None:
    parts = one.main.shown_parts if one.main else None
    if parts is None:
        return None
    weeks = weekly(parts)
    fine = np.isfinite(weeks.stays)
    if not fine.any():
        return None
    years = (weeks.day - dates.day_number(one.door.hung)) / 365.25
    return PairLine(
        name=words.isolated(one.door.shown),
        years=years[fine],
        stays=weeks.stays[fine],
        low=weeks.low[fine],
        high=weeks.high[fine],
        is_dashed=is_dashed,
    )


def _carried(one: DoorFacts) -> str:
    most = load_told(one).most
    if most is None:
        return "Not known"
    where = words.place(most.joint)
    return f"{words.measure(most.moment_n_m, 'N·m', 0)} at the {where[:1].lower()}{where[1:]}"


def _joint(one: DoorFacts) -> str:
    return words.sentence(joint_words(one.door.built))


def _size(one: DoorFacts) -> str:
    built = one.door.built
    return f"{built.width_mm:.0f} × {built.height_mm:.0f} × {built.thickness_mm:.0f}{words.NBSP}mm"


def _size_effect(a: DoorFacts, b: DoorFacts) -> str:
    if _size(a) == _size(b):
        return "No difference: one size."
    return "Not taken out: a wider leaf shows more droop for the same turn."


def _timber_effect(a: DoorFacts, b: DoorFacts) -> str:
    same = a.door.built.species == b.door.built.species
    return "No difference: one timber." if same else "Not taken out: timbers creep and swell differently."


def _hung_effect(a: DoorFacts, b: DoorFacts) -> str:
    days = abs((a.door.hung - b.door.hung).days)
    if days <= 30:
        return "None to speak of."
    return f"Not taken out: {dates.lasted(days)} apart, so their first years were not the same."


def _damp(one: DoorFacts) -> str:
    parts = one.main.shown_parts if one.main else None
    moist = None if parts is None else parts.moisture[-YEAR_DAYS:]
    if moist is None or np.isfinite(moist).sum() < 300:
        return "Not known yet"
    high, low = np.nanpercentile(moist, [95, 5])
    return words.measure(float(high - low), "%", 1)


def _damp_effect(a: DoorFacts, b: DoorFacts) -> str:
    if "Not known yet" in (_damp(a), _damp(b)):
        return "Not known yet."
    return "Taken out with the season."
