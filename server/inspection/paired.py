"""Two doors' series laid beside one another for a comparison, cut where it begins and brought to one size."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from server.inspection.line import drawn_line
from server.inspection.moisture import moisture_of
from server.inspection.series import DaySeries, made_series, trended_gauges
from server.inspection.values import DoorInputs
from server.inspection.watching import SeriesWatch, daily_of, last_refit_day
from server.trend.answer import Kept
from server.trend.paired_nights import PairDays
from server.trend.series import Daily, DoorFacts
from server.trend.trial_pairs import Scaling, unscaled
from server.trend.watch import carried


@dataclass(frozen=True, slots=True, kw_only=True)
class DoorSeries:
    """A door's days, its series by key, and the watch over each."""

    inputs: DoorInputs
    series: Mapping[str, DaySeries]
    watches: Mapping[str, SeriesWatch]


@dataclass(frozen=True, slots=True, kw_only=True)
class RateDays:
    """One door's record for a rate of its own, and what its watch carries tonight."""

    daily: Daily
    facts: DoorFacts
    watched: Kept | None


def door_series(inputs: DoorInputs, watches: Mapping[str, SeriesWatch]) -> DoorSeries:
    """Every series of a door, as a look makes them; none of a door that was never heard."""
    gauges = tuple(name for name in trended_gauges(inputs.door.built) if name in inputs.gauges)
    if not gauges or inputs.day.size == 0:
        return DoorSeries(inputs=inputs, series={}, watches=watches)
    line = drawn_line(inputs, gauges)
    moisture = moisture_of(inputs, line, known_through=last_refit_day(inputs))
    made = made_series(inputs, line, moisture)
    return DoorSeries(inputs=inputs, series={one.key: one for one in made}, watches=watches)


def pair_days(
    a: DoorSeries,
    b: DoorSeries,
    keys: tuple[str, str],
    *,
    from_day: int | None = None,
    scaling: Scaling | None = None,
) -> PairDays | None:
    """The days of one series of each door from `from_day` (since 1970) on; None where either has none.

    Both are multiplied as `scaling` says; they keep the size that the trend was made for.
    """
    times = scaling or unscaled()
    of_a, of_b = _cut(a, keys[0], from_day, times.a), _cut(b, keys[1], from_day, times.b)
    if of_a is None or of_b is None:
        return None
    return PairDays(
        a=of_a,
        b=of_b,
        facts=(
            replace(a.series[keys[0]].facts, drift_per_year=times.a * a.series[keys[0]].facts.drift_per_year),
            replace(b.series[keys[1]].facts, drift_per_year=times.b * b.series[keys[1]].facts.drift_per_year),
        ),
        later_days=b.inputs.hung_day - a.inputs.hung_day,
        watched=(_carried(a, keys[0]), _carried(b, keys[1])),
    )


def rate_days(door: DoorSeries, key: str, from_day: int) -> RateDays | None:
    """One door's series from `from_day` (since 1970) on; None where it has none."""
    daily = _cut(door, key, from_day, 1.0)
    if daily is None:
        return None
    return RateDays(daily=daily, facts=door.series[key].facts, watched=_carried(door, key))


def _cut(door: DoorSeries, key: str, from_day: int | None, times: float) -> Daily | None:
    one = door.series.get(key)
    daily = None if one is None else daily_of(door.inputs, one)
    if daily is None:
        return None
    since = 0 if from_day is None else from_day - door.inputs.hung_day
    places = np.flatnonzero((daily.day >= since) & np.isfinite(daily.value))
    if places.size < 2:
        return None
    kept = slice(int(places[0]), int(places[-1]) + 1)
    return Daily(
        day=daily.day[kept],
        value=times * daily.value[kept],
        temp_c=daily.temp_c[kept],
        rh_pct=daily.rh_pct[kept],
    )


def _carried(door: DoorSeries, key: str) -> Kept | None:
    """What the door's own watch knows of steps and of days put by."""
    watch = door.watches.get(key)
    if watch is None:
        return None
    return carried(watch.now.watched, watch.now.day - watch.now.watched.place)
