"""Two doors compared as they stand tonight, declared by nobody: each joint per 100 N·m, and the droop."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from sqlalchemy.orm import Session

from server.doors.carried import Load
from server.doors.register import DoorHung
from server.inspection.paired import DoorSeries, door_series, pair_days
from server.inspection.reading import gather
from server.inspection.use import CountedUse, is_counted, use_between
from server.inspection.watch_kept import watches_of
from server.trend.answer import Z_95, Kept
from server.trend.compare import Comparison, Told
from server.trend.paired import Side, compare_sides
from server.trend.paired_nights import PairDays, side_of
from server.trend.series import DAYS_PER_YEAR
from server.trend.together import Shares
from server.trend.trial import Look, look
from server.trend.trial_pairs import PER_N_M
from server.trend.trial_pool import Estimate
from server.trend.trial_use import PER_OPENINGS, WIDEST_SHARE, ten_thousands

DROOP = "droop"
Used = tuple[CountedUse | None, CountedUse | None]
UNCOUNTED: Used = (None, None)
HORIZON_YEARS = 10.0
"""Nobody declared when it ends: bounds as of a trial of ten years from the later hung line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is compared: a series of each door and, of turns, the moment that each joint carries, N·m.

    With both doors' openings a year it is asked for each 10,000 of them.
    """

    keys: tuple[str, str]
    moments_n_m: tuple[float, float] | None = None
    openings_a_year: tuple[float, float] | None = None

    @property
    def weights(self) -> tuple[float, float]:
        """What each rate is multiplied by."""
        a, b = 1.0, 1.0
        if self.moments_n_m is not None:
            a, b = (PER_N_M / one for one in self.moments_n_m)
        if self.openings_a_year is not None:
            a, b = (
                one * PER_OPENINGS / openings
                for one, openings in zip((a, b), self.openings_a_year, strict=True)
            )
        return a, b


@dataclass(frozen=True, slots=True, kw_only=True)
class BesideOpenings:
    """Looks that may be taken every night once openings stand in the sum beside the years.

    Without any where the two cannot be told apart, by `ratio` (see `ByOpenings`).
    """

    ratio: float
    difference: Look | None = None
    a: Look | None = None
    b: Look | None = None


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
    beside: BesideOpenings | None = None
    """None unless both doors' openings are counted and it is compared."""


def series_of(session: Session, door: DoorHung, end_day: int) -> DoorSeries:
    """A door's series and watches as stored, of the days before `end_day` (since 1970)."""
    return door_series(gather(session, door, end_day), watches_of(session, door.id))


def seen_so_far(
    a: DoorSeries,
    b: DoorSeries,
    asked: Asked,
    band: float | None = None,
    *,
    shares: Shares | None = None,
    use: Used = UNCOUNTED,
) -> SeenSoFar:
    """B less a, a year; with each door's own watch as it was last fitted.

    What the two share is fitted here, unless `shares` are handed in. With the `use` of both their openings
    are asked beside the years. Refused where either has no watch yet, which is before a year is heard, and
    as `compare`.
    """
    days = pair_days(a, b, asked.keys)
    if days is None:
        return SeenSoFar(asked=asked, said=_refused("no_readings"), look=None, years=0.0)
    years = max(days.age, 0) / DAYS_PER_YEAR
    kept = [watched for watched in days.watched if watched is not None]
    if len(kept) < 2:
        return SeenSoFar(asked=asked, said=_refused("first_year"), look=None, years=years)
    sides = _sides(days, (kept[0], kept[1]), (a, b), use)
    if sides is None:
        return SeenSoFar(asked=asked, said=_refused("too_few_days"), look=None, years=years)
    later_days, weights = days.later_days, asked.weights
    said = compare_sides(*sides, days.facts[1], later_days=later_days, weights=weights, shares=shares)
    look = _looked(said, years, band)
    return SeenSoFar(asked=asked, said=said, look=look, years=years, beside=_beside(said, years))


def asked_of_joints(doors: tuple[DoorSeries, DoorSeries], loads: tuple[Load, Load]) -> dict[str, Asked]:
    """What may be asked of joints, by their names: the one that carries most in both comes first."""
    (a, b), (of_a, of_b) = doors, (load.joints for load in loads)
    found = {}
    for key in a.series:
        name = key.partition(":")[2]
        if key in b.series and key.startswith("turn:") and name in of_a and name in of_b:
            moments = of_a[name].moment_n_m, of_b[name].moment_n_m
            if min(moments) > 0:
                found[name] = Asked(keys=(key, key), moments_n_m=moments)
    return dict(sorted(found.items(), key=lambda item: -min(item[1].moments_n_m or (0.0, 0.0))))


def asked_of_droop(doors: tuple[DoorSeries, DoorSeries]) -> Asked:
    """The leaf's droop of both; where both are read at one gauge alone, those gauges."""
    keys = []
    for door in doors:
        alone = next((key for key in door.series if key.startswith("gauge:")), "droop")
        keys.append("droop" if "droop" in door.series else alone)
    if (keys[0] == "droop") != (keys[1] == "droop"):
        return Asked(keys=("droop", "droop"))
    return Asked(keys=(keys[0], keys[1]))


def with_band(seen: SeenSoFar, band: float | None) -> SeenSoFar:
    """The same comparison looked at with another difference that matters."""
    return replace(seen, look=_looked(seen.said, seen.years, band))


def with_use(seen: SeenSoFar, pair: "Pair") -> SeenSoFar | None:
    """The same for each 10,000 openings of each door; None unless both are counted well enough.

    What is in doubt of the counts is left out: days that were not counted are few, or there is no answer.
    """
    years = tuple(one.year for one in pair.use if one is not None)
    if len(years) < 2 or seen.look is None or max(one.sd / one.total for one in years) > WIDEST_SHARE:
        return None
    asked = replace(seen.asked, openings_a_year=(years[0].total, years[1].total))
    return seen_so_far(pair.a, pair.b, asked, shares=seen.said.shares)


@dataclass(slots=True)
class Pair:
    """Two doors as their last looks left them, and what was asked of them so far: each is solved once."""

    a: DoorSeries
    b: DoorSeries
    asked: Mapping[str, Asked]
    """By a joint's name, or `droop`."""
    use: Used = UNCOUNTED
    found: dict[str, SeenSoFar] = field(default_factory=dict)
    per_use: dict[str, SeenSoFar | None] = field(default_factory=dict)

    def seen(self, name: str, band: float | None = None) -> SeenSoFar:
        """The comparison of that name, looked at with this difference that matters."""
        if name not in self.found:
            self.found[name] = seen_so_far(self.a, self.b, self.asked[name], use=self.use)
        return with_band(self.found[name], band)

    def seen_per_openings(self, name: str) -> SeenSoFar | None:
        """The same for each 10,000 openings; None where those are not counted well enough."""
        if name not in self.per_use:
            self.per_use[name] = with_use(self.seen(name), self)
        return self.per_use[name]

    @property
    def joints(self) -> tuple[str, ...]:
        """The joints that may be compared, the one that carries most in both first."""
        return tuple(name for name in self.asked if name != DROOP)


def pair_of(
    session: Session, doors: tuple[DoorHung, DoorHung], loads: tuple[Load, Load], end_day: int
) -> Pair:
    """Two doors with all that may be asked of them, of the days before `end_day` (since 1970)."""
    series = series_of(session, doors[0], end_day), series_of(session, doors[1], end_day)
    since = max(one.inputs.hung_day for one in series)
    use = tuple(use_between(session, one, since, end_day) if is_counted(one) else None for one in doors)
    asked = asked_of_joints(series, loads) | {DROOP: asked_of_droop(series)}
    return Pair(a=series[0], b=series[1], asked=asked, use=(use[0], use[1]))


def _refused(reason: str) -> Comparison:
    return Comparison(status="refused", reason=reason)


def _sides(
    days: PairDays, kept: tuple[Kept, Kept], doors: tuple[DoorSeries, DoorSeries], use: Used
) -> tuple[Side, Side] | None:
    """Both series laid out, with the doors' openings where they are counted; None with too few days."""
    sides = [
        side_of(own, daily, facts)
        for own, daily, facts in zip(kept, (days.a, days.b), days.facts, strict=True)
    ]
    counted = [
        replace(side, openings=ten_thousands(one.daily, side.day + door.inputs.hung_day)) if one else side
        for side, door, one in zip(sides, doors, use, strict=True)
        if side is not None
    ]
    return (counted[0], counted[1]) if len(counted) == 2 else None


def _looked(said: Comparison, years: float, band: float | None) -> Look | None:
    if said.difference is None or said.low is None or said.high is None:
        return None
    return _look_at(Told(value=said.difference, low=said.low, high=said.high), years, band)


def _look_at(told: Told | None, years: float, band: float | None = None) -> Look | None:
    if told is None:
        return None
    return look(Estimate(value=told.value, se=(told.high - told.value) / Z_95), years, HORIZON_YEARS, band)


def _beside(said: Comparison, years: float) -> BesideOpenings | None:
    told = said.by_openings
    if told is None:
        return None
    difference, a, b = (_look_at(one, years) for one in (told.difference, told.a, told.b))
    return BesideOpenings(ratio=told.ratio, difference=difference, a=a, b=b)
