"""Simulated doors with known truth, by a simulator that is not the trend's model."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.trend.series import DAYS_PER_YEAR, Daily, DoorFacts

CASES = Path(__file__).parents[2] / "published" / "trend"
MISSING = -32768
CUTS = (730, 1095, 1826)


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownDoor:
    """A simulated door: what an estimator may see, and the truth S(t) that it may not."""

    name: str
    role: str
    daily: Daily
    facts: DoorFacts
    secular_mm: NDArray[np.float64]
    undeclared: tuple[int, ...]
    """Days of the steps that nobody logged."""
    step_sizes: tuple[tuple[int, float], ...] = ()
    """Day and size of every step, logged or not; sizes in the gauge's unit."""
    onset_day: int | None = None
    crossing_day: int | None = None
    """First day on which the lasting part less its value on the settled day is at the limit."""

    @property
    def is_moving_all_along(self) -> bool:
        """An alarm on such a door is neither right nor wrong."""
        return self.role == "steady"

    def true_rate_mm_per_year(self, days: int) -> float:
        """(S(last) - S(90)) a year, of the record cut after `days` days."""
        return float(self.secular_mm[days - 1] - self.secular_mm[90]) / (days - 1 - 90) * DAYS_PER_YEAR


def known_doors() -> list[KnownDoor]:
    """All sixty doors."""
    truth = json.loads((CASES / "truth.json").read_text("utf-8"))
    with np.load(CASES / "doors.npz") as stored:
        return [_door(row, {key: stored[f"{row['door']}/{key}"] for key in KEYS}) for row in truth]


def naive_rate(daily: Daily) -> tuple[float, float]:
    """Slope a year of a least-squares line through the raw series, and its textbook standard error."""
    seen = np.isfinite(daily.value)
    years = daily.day[seen] / DAYS_PER_YEAR
    line = np.column_stack([np.ones(years.size), years])
    found, squares, _, _ = np.linalg.lstsq(line, daily.value[seen], rcond=None)
    spread = float(squares[0]) / (years.size - 2) / float(((years - years.mean()) ** 2).sum())
    return float(found[1]), float(np.sqrt(spread))


KEYS = ("droop_um", "temp_dc", "rh_dpct", "secular_um")


def _door(row: dict[str, Any], stored: dict[str, NDArray[np.int32]]) -> KnownDoor:
    droop, temp, rh = (
        np.where(stored[key] == MISSING, np.nan, stored[key] / per)
        for key, per in (("droop_um", 1000.0), ("temp_dc", 10.0), ("rh_dpct", 10.0))
    )
    return KnownDoor(
        name=row["door"],
        role=row["role"],
        daily=Daily(day=np.arange(droop.size), value=droop, temp_c=temp, rh_pct=rh),
        facts=DoorFacts(
            settled_day=row["settled_day"],
            drift_per_year=row["sensor_drift_mm_per_year"],
            declared_steps=tuple(step["day"] for step in row["declared_steps"]),
            limit=row["limit_mm"],
        ),
        secular_mm=stored["secular_um"] / 1000.0,
        undeclared=tuple(step["day"] for step in row["steps"]),
        step_sizes=tuple((step["day"], step["size_mm"]) for step in (*row["steps"], *row["declared_steps"])),
        onset_day=row["onset_day"],
        crossing_day=row["crossing_day"],
    )
