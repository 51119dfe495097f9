"""What a look is made of and gives: a door's days, its series, its findings."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from server.doors.checks import FeelerCheck
from server.doors.load_tests import LoadTest
from server.doors.marks import Mark
from server.doors.register import DoorHung

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeDays:
    """One gauge's days, door shut: median in mm (NaN where missing) and how many readings it rests on."""

    median: FloatArray
    n: IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Jump:
    """Gauges that jumped together at one instant, door shut. `lasts_h`: for how long they have stayed so."""

    t_ms: int
    channels: tuple[str, ...]
    most_mm: float
    lasts_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Earlier:
    """What an earlier look found of a step or a slam."""

    topic: str
    about: str
    evidence: Mapping[str, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tonight:
    """What a night is asked besides the days; everything by the gauge's channel.

    `good`: door-shut readings of the last ended day, None where nothing of the box was stored that day;
    `is_open`: the door stood open all that day. `low_rh_pct`: that day's lowest humidity. `ref_shift`: of the
    converter's newest window of 14 days against its first. `checked_day`: of a gauge's newest calibration.
    `feelers`: feeler checks up to that night, oldest first.
    """

    good: Mapping[str, int] | None = None
    is_open: bool = False
    low_rh_pct: Mapping[str, float] = field(default_factory=dict)
    ref_shift: float | None = None
    checked_day: Mapping[str, int] = field(default_factory=dict)
    feelers: tuple[FeelerCheck, ...] = ()
    tests: tuple[LoadTest, ...] = ()
    jumps: tuple[Jump, ...] = ()
    earlier: tuple[Earlier, ...] = ()


NOTHING_BESIDES = Tonight()


@dataclass(frozen=True, slots=True, kw_only=True)
class DoorInputs:
    """A door and its days up to a night; all arrays of shape (days,).

    `day` counts from the day of hanging, each one more than the last; `hung_day` is that day since 1970.
    `end_day`: the first day since 1970 that had not ended; None: the one after the last of `day`.
    """

    door: DoorHung
    hung_day: int
    day: IntArray
    gauges: Mapping[str, GaugeDays]
    temp_c: FloatArray
    rh_pct: FloatArray
    marks: tuple[Mark, ...] = ()
    end_day: int | None = None
    tonight: Tonight = NOTHING_BESIDES

    @property
    def last_ended(self) -> int:
        """The last day that had ended, counted from the day of hanging."""
        if self.end_day is not None:
            return self.end_day - 1 - self.hung_day
        return int(self.day[-1]) if self.day.size else -1


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that can go wrong, with its figures, or the reason why it can't be judged."""

    topic: str
    about: str
    evidence: Mapping[str, object]
    rests_on: tuple[str, ...] = ()
    unjudged: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """A series day by day since 1970, from the hung line; NaN where there is none. Fitted = stays + back."""

    day: IntArray
    seen: FloatArray
    stays: FloatArray
    stays_low: FloatArray
    stays_high: FloatArray
    back: FloatArray
    moisture: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesLook:
    """What one look says of one series; rate and bounds a year, None where refused."""

    key: str
    unit: str
    status: str
    reason: str | None
    rate: float | None
    low: float | None
    high: float | None
    facts: Mapping[str, object]
    parts: Parts | None

    def number(self, key: str) -> float | None:
        """A figure among the facts; None where there is none."""
        value = self.facts.get(key)
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        return float(value) if is_number else None  # type: ignore[arg-type]  # it is a number by the line above


def refused_look(key: str, unit: str, reason: str, facts: Mapping[str, object]) -> SeriesLook:
    """A series of which no figure is told, with the reason in words."""
    nothing = dict.fromkeys(("rate", "low", "high", "parts"))
    return SeriesLook(key=key, unit=unit, status="refused", reason=reason, facts=facts, **nothing)


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """What one look at one door found."""

    findings: tuple[Finding, ...]
    series: tuple[SeriesLook, ...] = ()
