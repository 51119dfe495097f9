"""What an alert says: its word, its title, what is seen, and what to do."""

from collections.abc import Mapping
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

Evidence = Mapping[str, object]

WORDS = {
    "joint_opening": "Joint opening",
    "joint_open": "Joint open",
    "leaf_set": "Taking a set",
    "leaf_over": "Out of square",
    "node_silent": "Not heard",
}
CAUTION = "Not a safety device: look at the door itself."
CERTIFICATE = "Its gaps are set by its certificate: ask the certifying body and the keeper first."
# Common practice, no source.
TO_DO = {
    "joint_opening": "Nothing this week. Look at it when you are by, and plan a repair.",
    "joint_open": "Try a feeler in the shoulder. If it goes in past 10 mm the glue line is likely parted. "
    "Keep people clear of the door and have a competent joiner look before it is used hard again.",
    "leaf_set": "See that every hinge screw is tight, then try the shoulders that carry no gauge. "
    "Pack a hinge only when you know which it is: packing hides it.",
    "leaf_over": "This month: see that every hinge screw is tight, then try the shoulders without a gauge. "
    "Pack a hinge only when you know which it is: packing hides it. "
    "Keep people clear if the leaf drags or drops when it is opened.",
    "node_silent": "Power first, then network.",
}
SERIES = (("turn", "mrad", "of its turn"), ("opening", "mm", "at its shoulder"))


def word(step: str) -> str:
    """The word of a step."""
    return WORDS.get(step, step.replace("_", " ").capitalize())


def title(step: str, *, about: str, shown: str | None) -> str:
    """Door and what, with the place of a joint."""
    where = f", {place(about.rpartition('/')[2])}" if "/" in about else ""
    said = word(step)
    return f"{shown or about}: {said[0].lower()}{said[1:]}{where}"


def place(joint: str) -> str:
    """A joint's place: `lock-hinge` is lock rail, hinge side."""
    rail, _, end = joint.rpartition("-")
    return f"{rail} rail, {end} side"


def say(step: str, evidence: Evidence, *, zone: str) -> str:
    """What is seen, in one sentence, from the evidence of the look that said it."""
    if step == "node_silent":
        return _silent(evidence, zone)
    if step == "leaf_set":
        return _set(evidence)
    if step == "leaf_over":
        return _leaf(evidence)
    series, unit, where = _nearer(evidence)
    stays, low, high = (_number(evidence, f"{series}_{key}_{unit}") for key in ("stays", "low", "high"))
    if step == "joint_open":
        limit = _number(evidence, f"{series}_open_{unit}")
        share = "all" if low is not None and limit is not None and low >= limit else "part"
        return (
            f"What stays {where} has passed {_said(limit)} {unit} and is {_said(stays)} now; "
            f"{share} of its range is over it."
        )
    return f"What stays {where} is {_said(stays)} {unit}{_between(low, high)}."


def to_do(step: str, *, rated: str) -> str:
    """What to do, with the caution; a fire-rated or escape door's keeper comes first."""
    if step == "node_silent":
        return TO_DO[step]
    ask = [] if rated == "none" else [CERTIFICATE]
    return " ".join([TO_DO.get(step, ""), *ask, CAUTION]).strip()


def _nearer(evidence: Evidence) -> tuple[str, str, str]:
    """The series of a joint that is nearer its limit, by what stays."""

    def spent(one: tuple[str, str, str]) -> float:
        stays = _number(evidence, f"{one[0]}_stays_{one[1]}")
        limit = _number(evidence, f"{one[0]}_open_{one[1]}")
        return -1.0 if stays is None or not limit else stays / limit

    return max(SERIES, key=spent)


def _leaf(evidence: Evidence) -> str:
    for series in ("droop", "rack"):
        stays, limit = _number(evidence, f"{series}_stays_mm"), _number(evidence, f"{series}_limit_mm")
        if stays is not None and limit is not None and stays >= limit:
            return f"{_said(stays)} mm of {series} stays, more than the {_said(limit)} set for this door."
    stays, low, high = (_number(evidence, f"droop_{key}_mm") for key in ("stays", "low", "high"))
    return f"What stays of the droop is {_said(stays)} mm{_between(low, high)}."


def _set(evidence: Evidence) -> str:
    rate, low, high = (_number(evidence, f"rate_{key}mm_per_year") for key in ("", "low_", "high_"))
    which = evidence.get("rate_of", "leaf")
    return f"What stays of the {which} grows by {_said(rate)} mm a year{_between(low, high)}."


def _silent(evidence: Evidence, zone: str) -> str:
    last = _number(evidence, "last_heard_ms")
    if last is None:
        return "Not heard."
    local = datetime.fromtimestamp(last / 1000, UTC).astimezone(ZoneInfo(zone))
    return f"Not heard since {local.day} {local:%B %Y, %H:%M}."


def _number(evidence: Evidence, key: str) -> float | None:
    value = evidence.get(key)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _said(value: float | None) -> str:
    return "not known" if value is None else f"{round(value, 2) + 0.0:.2f}"


def _between(low: float | None, high: float | None) -> str:
    if low is None:
        return ""
    return f", at least {_said(low)}" if high is None else f", between {_said(low)} and {_said(high)}"
