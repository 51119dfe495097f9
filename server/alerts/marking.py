"""Which causes a mark counts anew: what a person did at a door changes what its figures mean. Pure."""

from dataclasses import dataclass
from datetime import date, timedelta

FRAME, LEAF, JOINT, GAUGE = "frame", "leaf", "joint", "gauge"
# A new finish, a calibration, a load test count nothing anew: their days are looked at again instead.
COUNTED_ANEW = {
    "eased": (FRAME,),
    "planed": (FRAME,),
    "hinge packed": (FRAME,),
    "rehung": (FRAME, LEAF),
    "joint repaired": (JOINT, LEAF),
    "repaired": (JOINT, LEAF),
    "gauge changed": (GAUGE,),
    "gauge-moved": (GAUGE,),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """What was done: to a door, a joint `door/joint` or a gauge `box/channel`; `night` sees it first."""

    kind: str
    about: str
    night: str
    words: str | None = None
    by: str | None = None


def counts_anew(mark: Mark, topic: str, about: str) -> bool:
    """Whether a cause is counted anew from a mark on. Re-hanging does not heal a joint."""
    if topic not in COUNTED_ANEW.get(mark.kind, ()):
        return False
    if topic in (JOINT, GAUGE):
        return about == mark.about
    return about.partition("/")[0] == mark.about.partition("/")[0]


def night_of(day: date) -> str:
    """The first night whose look has heard a day: a look uses days that have ended."""
    return (day + timedelta(days=1)).isoformat()
