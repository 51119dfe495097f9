"""A record made ready to be fitted: whole climate, masked days, the settled day, and early refusals."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from server.trend.answer import Decomposition, Verdict
from server.trend.climate import Climate, whole_climate
from server.trend.columns import creep_column
from server.trend.series import Daily, DoorFacts

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

FIRST_YEAR_DAYS, FEWEST_OBSERVED = 365, 180
FIT_DAYS, FIT_OBSERVED, FIT_SETTLED = 120, 60, 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """A record that can be fitted; arrays of shape (days,)."""

    day: IntArray
    y: FloatArray
    """Series less its origin, over its scale, less creep's prior mean; NaN on unseen days."""
    climate: Climate
    door: DoorFacts
    settled: int
    """Place of the day from which the rate counts."""
    origin: float
    observed: int
    early: Verdict | None
    """Why no rate is given yet, though the record is fitted."""

    @property
    def declared(self) -> tuple[int, ...]:
        """Days of the declared steps, of those within the record."""
        first, last = self.day[0], self.day[-1]
        return tuple(sorted({step for step in self.door.declared_steps if first < step <= last}))


def prepared(  # noqa: PLR0913 -- what a record hangs on beside its days, each by its own name
    daily: Daily,
    door: DoorFacts,
    *,
    through: int | None = None,
    known_through: int | None = None,
    origin: float | None = None,
    may_stand_still: bool = True,
    climate: Climate | None = None,
) -> Prepared | Decomposition:
    """The record up to and with day `through`, or the refusal where there is too little to fit.

    known_through: missing climate is filled from the days up to it, at most. The origin is the median where
    none is given; may_stand_still as of `whole_climate`; climate: what that gives, where it is there already.
    Raises SeriesError for `through` before the first day.
    """
    record = daily if through is None else daily.up_to(through)
    climate = climate or whole_climate(
        record.day,
        record.temp_c,
        record.rh_pct,
        known_through=known_through,
        may_stand_still=may_stand_still,
    )
    seen = int(np.isfinite(record.value).sum())
    age = int(record.day[-1] - record.day[0])
    if seen == 0:
        return _unfitted(record, Verdict("refused", "no_readings", FEWEST_OBSERVED, 0), observed=0)
    if climate is None or (age >= FIT_DAYS and climate.known_days < FIT_OBSERVED):
        came = 0 if climate is None else climate.known_days
        return _unfitted(record, Verdict("refused", "no_climate", FIRST_YEAR_DAYS, came), observed=seen)
    value = np.where(climate.masked, np.nan, record.value)
    observed, days = int(np.isfinite(value).sum()), value.size
    early = _too_early(age, observed)
    settled = _settled_place(record.day, door.settled_day)
    if days < max(FIT_DAYS, settled + FIT_SETTLED) or observed < FIT_OBSERVED:
        verdict = Verdict("refused", "first_year", settled + FIT_SETTLED, days)
        return _unfitted(record, early or verdict, observed=observed)
    # The level starts diffuse, so an origin costs nothing and keeps the sums small.
    origin = float(np.nanmedian(value)) if origin is None else origin
    return Prepared(
        day=record.day,
        y=(value - origin) / door.scale - door.creep_mean * creep_column(record.day),
        climate=replace(climate, start_pct=door.start_pct),
        door=door,
        settled=settled,
        origin=origin,
        observed=observed,
        early=early,
    )


def _too_early(age_days: int, observed: int) -> Verdict | None:
    if age_days < FIRST_YEAR_DAYS:
        return Verdict("refused", "first_year", FIRST_YEAR_DAYS, age_days)
    if observed < FEWEST_OBSERVED:
        return Verdict("refused", "too_few_days", FEWEST_OBSERVED, observed)
    return None


def _unfitted(record: Daily, verdict: Verdict, *, observed: int) -> Decomposition:
    return Decomposition(
        status=verdict.status,
        reason=verdict.reason,
        needed=verdict.needed,
        came=verdict.came,
        day=record.day,
        outliers=np.zeros(record.day.size, dtype=bool),
        observed_days=observed,
    )


def _settled_place(day: IntArray, settled_day: int) -> int:
    """Place of the settled day; a record that starts late settles anew, one that starts after it does not."""
    first = int(day[0])
    return 0 if first > settled_day else max(settled_day - first, settled_day)
