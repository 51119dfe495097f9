"""What is handed to the trend: one gauge's days with their climate, and what is declared of the door."""

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from server.errors import SeriesError
from server.timber.slab import UNREAD_SD_PCT

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

DAYS_PER_YEAR = 365.25
PAIR_SPACING_MM = 170.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Daily:
    """One gauge's days, NaN where missing; all arrays of shape (days,).

    Raises SeriesError for arrays of unlike length, days that do not follow one another, or infinities.
    """

    day: IntArray
    """Days since hanging, each one more than the last, from 0 up."""
    value: FloatArray
    """Daily median in the gauge's unit (mm or mrad); more is worse."""
    temp_c: FloatArray
    rh_pct: FloatArray

    def __post_init__(self) -> None:
        for name in ("value", "temp_c", "rh_pct"):
            _check_array(name, getattr(self, name), days=self.day.size)
        if self.day.size == 0 or self.day[0] < 0:
            came = "none" if self.day.size == 0 else f"day {self.day[0]}"
            raise SeriesError("daily series, day", "days since hanging, 0 or later", came)
        jumps = np.flatnonzero(np.diff(self.day) != 1)
        if jumps.size:
            early, late = self.day[jumps[0]], self.day[jumps[0] + 1]
            raise SeriesError("daily series, day", "every day once, in order", f"{late} after {early}")

    def up_to(self, day: int) -> "Daily":
        """The days up to and with `day`. Raises SeriesError where there are none."""
        kept = self.day <= day
        return Daily(**{field.name: getattr(self, field.name)[kept] for field in fields(self)})


START_SD_BY_PCT = 0.30
"""Over the scale of an opening, for each % to which the start is known: the prior of the moisture gain."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DoorFacts:
    """What is declared of a door and its gauge; lengths and turns in the gauge's own unit.

    The model's sizes are for sag in mm; another series is divided by `scale` first and its answers are
    multiplied by it.
    """

    settled_day: int = 90
    drift_per_year: float = 0.0
    """Declared standard deviation of the gauge's drift."""
    declared_steps: tuple[int, ...] = ()
    """Days on which somebody adjusted the door or the gauge."""
    scale: float = 1.0
    white: float = 0.02
    ar: float = 0.03
    widest: float = 0.10
    """Half-width of the rate's interval, a year, beyond which it is not served."""
    alarm: float = 2.9
    """Standard errors by which the slope must stand out."""
    limit: float | None = None
    start_sd: float = 0.0
    """Prior, over the scale, of what the wood's unknown moisture at the start is worth; 0 leaves it out."""
    start_pct: float | None = None
    """Moisture of the wood on the series' first day, as it was read with a meter; None: it was not."""
    creep_mean: float = 0.06
    """Prior mean, over the scale, of the creep column's coefficient; all the others have 0."""
    creep_sd: float = 0.06
    slow_days: tuple[float, ...] = ()
    """Time constants of slabs beside the one that is sought, for a series that face and core move unlike."""
    rezeroed: tuple[int, ...] = ()
    """Of the declared steps those at which the gauge was set anew: their size is the gauge's own."""

    def __post_init__(self) -> None:
        for name in ("scale", "white", "ar", "widest"):
            size = getattr(self, name)
            if not (size > 0 and np.isfinite(size)):
                raise SeriesError(f"door's {name}", "a number above 0", f"{size:g}")
        if not (self.drift_per_year >= 0 and np.isfinite(self.drift_per_year)):
            raise SeriesError("door's drift a year", "a number of 0 or more", f"{self.drift_per_year:g}")


def for_droop() -> DoorFacts:
    """Facts for sag, droop, rack or an edge's gap, in mm."""
    return DoorFacts()


def for_turn(spacing_mm: float) -> DoorFacts:
    """Facts for a joint's turn in mrad, from a pair of gauges `spacing_mm` apart.

    Raises SeriesError for a spacing that is not positive.
    """
    if not (spacing_mm > 0 and np.isfinite(spacing_mm)):
        raise SeriesError("spacing of a pair of gauges, mm", "a number above 0", f"{spacing_mm:g}")
    ratio = PAIR_SPACING_MM / spacing_mm
    at_170 = DoorFacts(scale=0.4, white=0.02, ar=0.02, widest=0.05, alarm=2.3)
    return replace(
        at_170,
        scale=at_170.scale * ratio,
        white=at_170.white * ratio,
        ar=at_170.ar * ratio,
        widest=at_170.widest * ratio,
    )


def for_opening() -> DoorFacts:
    """Facts for the mean opening of a shoulder, in mm.

    It follows the wood's moisture as nothing else does: a leaf that was hung damper than its room's air goes
    on opening its shoulders for as long as it dries, and that is not to be taken for growth. So its interval
    is wide for two years, and is told for all that: a third of its limit a year is still an answer. Nothing
    pulls at a shoulder along its gauges, and it is not taken to creep before it is seen to.
    """
    return DoorFacts(
        scale=0.5,
        white=0.01,
        ar=0.015,
        widest=0.10,
        start_sd=START_SD_BY_PCT * UNREAD_SD_PCT,
        creep_mean=0.0,
        creep_sd=0.02,
        slow_days=(60.0, 240.0),
    )


def _check_array(name: str, values: FloatArray, *, days: int) -> None:
    if values.shape != (days,):
        raise SeriesError(f"daily series, {name}", f"{days} values, one a day", f"{values.size}")
    if np.isinf(values).any():
        place = int(np.flatnonzero(np.isinf(values))[0])
        raise SeriesError(
            f"daily series, {name}", "finite numbers or none", f"{values[place]} at place {place}"
        )
