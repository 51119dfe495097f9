"""What a look is made of and gives: a door's days, its series, its findings."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
class DoorInputs:
    """A door and its days up to a night; all arrays of shape (days,).

    `day` counts from the day of hanging, each one more than the last; `hung_day` is that day since 1970.
    """

    door: DoorHung
    hung_day: int
    day: IntArray
    gauges: Mapping[str, GaugeDays]
    temp_c: FloatArray
    rh_pct: FloatArray
    marks: tuple[Mark, ...] = ()


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """What one look at one door found."""

    findings: tuple[Finding, ...]
    series: tuple[SeriesLook, ...] = ()
