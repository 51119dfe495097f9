"""The sixty development doors, cut at 2, 3 and 5 years, against their known truth.

Run as `python -m tests.bench.trend.dev`. Invented data; nothing may be tuned on a single door.
"""

import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.trend.decompose import Decomposition, decompose
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


def table(doors: list[KnownDoor], days: int) -> str:
    """One line of figures for the record cut after `days` days."""
    long = [door for door in doors if door.daily.day.size >= days]
    answers = [decompose(door.daily, door.facts, through=days - 1) for door in long]
    served = [(door, answer) for door, answer in zip(long, answers, strict=True) if answer.rate is not None]
    truth = np.array([door.true_rate_mm_per_year(days) for door, _ in served])
    error = np.array([answer.rate for _, answer in served], dtype=float) - truth
    half = np.array([_half(answer) for _, answer in served])
    lines = np.array([naive_rate(door.daily.up_to(days - 1)) for door, _ in served])
    rmse, naive_rmse = (float(np.sqrt(np.mean(off**2))) for off in (error, lines[:, 0] - truth))
    covered = float(np.mean(np.abs(error) <= half))
    naive_covered = float(np.mean(np.abs(lines[:, 0] - truth) <= 1.96 * lines[:, 1]))
    return (
        f"{days:5d} d  {len(long):2d} doors  served {len(served) / len(long):.2f}  covered {covered:.3f}"
        f"  rmse {rmse:.3f}  half-width {np.median(half):.3f}  naive rmse {naive_rmse:.3f}"
        f" ({naive_rmse / rmse:.1f}x)  naive covered {naive_covered:.2f}"
    )


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
    )


def _half(answer: Decomposition) -> float:
    return answer.interval.half_width if answer.interval else float("nan")


if __name__ == "__main__":
    everyone = known_doors()
    for cut in CUTS:
        quiet = [door for door in everyone if not any(step < cut for step in door.undeclared)]
        sys.stdout.write(f"all             {table(everyone, cut)}\n")
        sys.stdout.write(f"no unknown step {table(quiet, cut)}\n")
