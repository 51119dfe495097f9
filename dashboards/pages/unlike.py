"""Whether a comparison is fair: every difference that is known, and whether it was taken out."""

from dataclasses import dataclass

import numpy as np

from dashboards.pages import dates, words
from dashboards.pages.carpentry import load_told
from dashboards.pages.facts import DoorFacts
from dashboards.pages.pairs import Compared
from server.doors.built import joint_words
from server.inspection.comparing import DROOP
from server.inspection.use import CountedUse

YEAR_DAYS = 365
NOT_RECORDED, NOT_KNOWN = "Not recorded", "Not known yet"
HARDLY_SHARED = 0.05
FRAMES = {"rigid": "Stays as it is", "head_drops": "Its head may drop", "leans": "May lean"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Unlike:
    """One thing that is known to differ, and what it does to the comparison."""

    what: str
    first: str
    second: str
    effect: str


def unlike(told: Compared) -> list[Unlike]:
    """Every difference that is known, and whether it was taken out."""
    a, b = told.asked.a, told.asked.b
    return [
        _row("Joint", _joint(a), _joint(b), "This is what is asked."),
        _carried(told),
        _stiffness(a, b),
        _row("Hung", _hung(a), _hung(b), _hung_effect(a, b)),
        _row("Leaf", _size(a), _size(b), _size_effect(told)),
        _row("Timber", a.door.built.species, b.door.built.species, _timber_effect(a, b)),
        _row("Frame, as its file says", _frame(a), _frame(b), _frame_effect(a, b)),
        _row("Damp in the wood, year’s swing", _damp(a), _damp(b), _damp_effect(a, b)),
        _row("What moves both alike", "", "", _shared_effect(told)),
        _openings(told),
        _row("Sun and rain", NOT_RECORDED, NOT_RECORDED, "Not taken out. Bear it in mind."),
    ]


def _row(what: str, first: str, second: str, effect: str) -> Unlike:
    return Unlike(what=what, first=first or "—", second=second or "—", effect=effect)


def _joint(one: DoorFacts) -> str:
    return words.sentence(joint_words(one.door.built))


def _carried(told: Compared) -> Unlike:
    a, b = told.asked.a, told.asked.b
    if told.name == DROOP:
        return _row(
            "Carried at the joint that carries most",
            _most(a),
            _most(b),
            "Not taken out: droop is the whole leaf’s, with its frame and hinges in it.",
        )
    moments = told.seen.asked.moments_n_m or ()
    first, second = (words.measure(one, "N·m", 0) for one in moments)
    return _row("Carried at this joint", first, second, "Taken out: each turn is for 100 N·m of its own.")


def _most(one: DoorFacts) -> str:
    most = load_told(one).most
    if most is None:
        return "Not known"
    where = words.place(most.joint)
    return f"{words.measure(most.moment_n_m, 'N·m', 0)} at the {where[:1].lower()}{where[1:]}"


def _stiffness(a: DoorFacts, b: DoorFacts) -> Unlike:
    first, second = (load_told(one).stiffness for one in (a, b))
    said = [
        "By a load test" if one.tested else "As usual practice has it" if one.f_k else "As its file says"
        for one in (first, second)
    ]
    effect = "It moves what each carries a little; both are taken alike."
    if said[0] != said[1]:
        effect = "It moves what each carries a little, and is not known alike of both."
    return _row("How stiff the joints are", said[0], said[1], effect)


def _hung(one: DoorFacts) -> str:
    return dates.local_date(one.door.hung, one.zone)


def _hung_effect(a: DoorFacts, b: DoorFacts) -> str:
    days = abs((a.door.hung - b.door.hung).days)
    if days <= 30:
        return "None to speak of."
    apart = dates.lasted(days)
    return f"Taken out in part: {apart} apart; shared days alone count, and each door’s creep is its own."


def _size(one: DoorFacts) -> str:
    built = one.door.built
    return f"{built.width_mm:.0f} × {built.height_mm:.0f} × {built.thickness_mm:.0f}{words.NBSP}mm"


def _size_effect(told: Compared) -> str:
    if _size(told.asked.a) == _size(told.asked.b):
        return "No difference: one size."
    if told.name == DROOP:
        return "Not taken out: a wider leaf shows more droop for the same turn."
    return "Taken out as far as it changes what the joint carries."


def _timber_effect(a: DoorFacts, b: DoorFacts) -> str:
    same = a.door.built.species == b.door.built.species
    return "No difference: one timber." if same else "Not taken out: timbers creep and swell differently."


def _frame(one: DoorFacts) -> str:
    opening = one.door.built.opening
    return f"{words.sentence(opening.material)}. {FRAMES.get(opening.kind, opening.kind)}"


def _frame_effect(a: DoorFacts, b: DoorFacts) -> str:
    if _frame(a) == _frame(b):
        return "No difference that is known."
    return "Taken out of a joint’s turn, which is read on the leaf alone; not of the droop."


def _damp(one: DoorFacts) -> str:
    parts = one.main.shown_parts if one.main else None
    moist = None if parts is None else parts.moisture[-YEAR_DAYS:]
    if moist is None or np.isfinite(moist).sum() < 300:
        return NOT_KNOWN
    high, low = np.nanpercentile(moist, [95, 5])
    return words.measure(float(high - low), "%", 1)


def _damp_effect(a: DoorFacts, b: DoorFacts) -> str:
    return "Not known yet." if NOT_KNOWN in (_damp(a), _damp(b)) else "Taken out with the season."


def _shared_effect(told: Compared) -> str:
    shares = told.seen.said.shares
    if shares is None:
        return "Not reckoned."
    if max(shares.level, shares.ar, shares.slope) < HARDLY_SHARED:
        return "None found: each door goes its own way."
    return "Found in both, and taken out as far as both share it."


def _openings(told: Compared) -> Unlike:
    a, b = (_a_day(one) for one in told.pair.use)
    effect = "Not taken out: a year is compared. What counting says stands above."
    if NOT_RECORDED in (a, b):
        effect = "Not taken out. Bear it in mind."
    return _row("Openings a day", a, b, effect)


def _a_day(use: CountedUse | None) -> str:
    if use is None:
        return NOT_RECORDED
    least = "at least " if use.year.is_at_least else ""
    return words.sentence(f"{least}about {use.year.total / 365.25:.0f}")
