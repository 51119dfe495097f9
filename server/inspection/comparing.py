"""Two doors compared as they stand tonight, declared by nobody: each joint per 100 N·m, and the droop."""

from dataclasses import dataclass

from sqlalchemy.orm import Session

from server.doors.carried import Load
from server.doors.register import DoorHung
from server.inspection.paired import DoorSeries, door_series, pair_days
from server.inspection.reading import gather
from server.inspection.watch_kept import watches_of
from server.trend.answer import Z_95, Kept
from server.trend.compare import Comparison
from server.trend.paired import compare_sides
from server.trend.paired_nights import PairDays, side_of
from server.trend.series import DAYS_PER_YEAR
from server.trend.trial import Look, look
from server.trend.trial_pairs import PER_N_M
from server.trend.trial_pool import Estimate

HORIZON_YEARS = 10.0
"""Nobody declared when it ends: bounds as of a trial of ten years from the later hung line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is compared: a series of each door and, of turns, the moment that each joint carries, N·m."""

    keys: tuple[str, str]
    moments_n_m: tuple[float, float] | None = None

    @property
    def weights(self) -> tuple[float, float]:
        """What each rate is multiplied by."""
        if self.moments_n_m is None:
            return (1.0, 1.0)
        return PER_N_M / self.moments_n_m[0], PER_N_M / self.moments_n_m[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenSoFar:
    """The comparison with its 95 % interval of tonight, and the look that may be taken every night.

    `look` is None where the comparison is refused.
    """

    asked: Asked
    said: Comparison
    look: Look | None
    years: float
    """From the later hung line to the last day that both have."""


def series_of(session: Session, door: DoorHung, end_day: int) -> DoorSeries:
    """A door's series and watches as stored, of the days before `end_day` (since 1970)."""
    return door_series(gather(session, door, end_day), watches_of(session, door.id))


def seen_so_far(a: DoorSeries, b: DoorSeries, asked: Asked, band: float | None = None) -> SeenSoFar:
    """B less a, a year; with each door's own watch as it was last fitted, and what the two share fitted here.

    Refused where either has no watch yet, which is before a year is heard, and as `compare`.
    """
    days = pair_days(a, b, asked.keys)
    if days is None:
        return SeenSoFar(asked=asked, said=_refused("no_readings"), look=None, years=0.0)
    years = max(days.age, 0) / DAYS_PER_YEAR
    kept = [watched for watched in days.watched if watched is not None]
    if len(kept) < 2:
        return SeenSoFar(asked=asked, said=_refused("first_year"), look=None, years=years)
    said = _compared(days, (kept[0], kept[1]), asked.weights)
    return SeenSoFar(asked=asked, said=said, look=_looked(said, years, band), years=years)


def seen_of_joints(
    a: DoorSeries, b: DoorSeries, loads: tuple[Load, Load], *, band: float | None = None
) -> dict[str, SeenSoFar]:
    """Every joint that both doors watch and of which both loads tell the moment, by its name."""
    of_a, of_b = (load.joints for load in loads)
    found = {}
    for key in a.series:
        name = key.partition(":")[2]
        if key in b.series and key.startswith("turn:") and name in of_a and name in of_b:
            moments = of_a[name].moment_n_m, of_b[name].moment_n_m
            if min(moments) > 0:
                found[name] = seen_so_far(a, b, Asked(keys=(key, key), moments_n_m=moments), band)
    return found


def _refused(reason: str) -> Comparison:
    return Comparison(status="refused", reason=reason)


def _compared(days: PairDays, kept: tuple[Kept, Kept], weights: tuple[float, float]) -> Comparison:
    sides = [
        side_of(own, daily, facts)
        for own, daily, facts in zip(kept, (days.a, days.b), days.facts, strict=True)
    ]
    if sides[0] is None or sides[1] is None:
        return _refused("too_few_days")
    return compare_sides(sides[0], sides[1], days.facts[1], later_days=days.later_days, weights=weights)


def _looked(said: Comparison, years: float, band: float | None) -> Look | None:
    if said.difference is None or said.high is None:
        return None
    se = (said.high - said.difference) / Z_95
    return look(Estimate(value=said.difference, se=se), years, HORIZON_YEARS, band)
