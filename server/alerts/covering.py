"""Which alerts another one already says: counted and written, not said while their cover stands. Pure."""

from collections.abc import Iterable
from datetime import date
from typing import Protocol

BY_STEP = {
    "disk_full": frozenset({"intake", "backup", "heard", "site"}),
    "intake_failing": frozenset({"heard", "site"}),
    "site_silent": frozenset({"heard"}),
}
OPENING = ("joint_opening", "joint_open")


class Standing(Protocol):
    """What is asked of an alert that stands."""

    @property
    def id(self) -> int:
        """Its number."""
        ...

    @property
    def topic(self) -> str:
        """Kind of cause."""
        ...

    @property
    def about(self) -> str:
        """Which one."""
        ...

    @property
    def step(self) -> str:
        """On which step it stands."""
        ...


def cover(standing: Iterable[Standing]) -> set[int]:
    """The numbers of those alerts that another one of those standing says too."""
    alerts = list(standing)
    return {below.id for below in alerts if any(_covers(above, below) for above in alerts)}


def _covers(above: Standing, below: Standing) -> bool:
    if below.topic in BY_STEP.get(above.step, ()):
        return True
    if above.step in OPENING and below.topic == "leaf":
        return below.about == above.about.partition("/")[0]
    return below.topic == "step" and _covers_step(above, below)


def _covers_step(above: Standing, below: Standing) -> bool:
    series, _, day = below.about.partition("@")
    if above.step in OPENING or above.topic == "gauge":
        return series == above.about
    if above.topic != "slam":
        return False
    door, _, then = above.about.partition("@")
    if series.partition("/")[0] != door:
        return False
    return abs((date.fromisoformat(day) - date.fromisoformat(then)).days) <= 1
