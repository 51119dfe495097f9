"""The watch over every series of a door: gone on with from night to night, refitted at the ages alone.

What is said of a night hangs on nothing that came after it: a watch that goes on, one that is gone over again
because its past changed, and one over a record that was cut, stand alike.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from server.inspection.basis import Basis
from server.inspection.cutting import as_of, seen_span
from server.inspection.line import Line
from server.inspection.moisture import moisture_of
from server.inspection.series import DaySeries, made_series
from server.inspection.standing import Standing, packed, unpacked
from server.inspection.values import DoorInputs
from server.trend.answer import Decomposition, answer
from server.trend.climate import Climate, whole_climate
from server.trend.columns import grid_moisture_pct
from server.trend.series import Daily, DoorFacts
from server.trend.tonight import Laid, laid_out, solved_rows, with_more_steps
from server.trend.watch import Alarm, Watched, began, carried, night, refit_ages

FloatArray = NDArray[np.float64]


# Where the watch stood is kept each so many days too, the newest of these: what changed lately is gone over
# from there. They reach further back than the nights that are looked at anew at once.
POINT_DAYS, POINTS = 15, 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """The watch as it was after a day, packed. `basis`: fingerprint of the days up to and with it."""

    day: int
    basis: str
    state: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesWatch:
    """What is kept of one series from one look to the next. `basis`: fingerprint of the days up to `now`."""

    now: Standing
    basis: str
    refits: tuple[Point, ...] = ()
    """Just after each, oldest first."""
    points: tuple[Point, ...] = ()
    """Of the days between, the newest, oldest first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """A watch that has come to a night, and the record laid out as its last fit has it."""

    watch: SeriesWatch
    laid: Laid


@dataclass(frozen=True, slots=True, kw_only=True)
class _Way:
    """How far a series has come on its way to the night; `tried`: the last day on which a refit was due."""

    standing: Standing | None
    tried: int
    refits: tuple[Point, ...] = ()
    points: tuple[Point, ...] = ()
    laid: Laid | None = None


@dataclass(slots=True)
class Air:
    """The air of some days and the slabs of the grid under it, reckoned once for all series that ask alike.

    Of a door that is looked at night by night it may be of all its days: of any first days of theirs it tells
    what these alone would, for nothing is filled from days after a refit, and a slab knows its past alone.
    """

    inputs: DoorInputs
    climates: dict[tuple[int, int, int], Climate | None] = field(default_factory=dict)
    made: dict[tuple[int, int, float | None], FloatArray | None] = field(default_factory=dict)

    def climate(self, daily: Daily, through: int) -> Climate | None:
        """The air of a series' days, what is missing filled from those up to `through`."""
        asked = (int(daily.day[0]), int(daily.day[-1]), through)
        if asked not in self.climates:
            self.climates.clear()  # of one night alone: they are as many as nights
            self.climates[asked] = whole_climate(
                daily.day, daily.temp_c, daily.rh_pct, known_through=through, may_stand_still=False
            )
        return self.climates[asked]

    def grid_pct(self, daily: Daily, through: int, start_pct: float | None) -> FloatArray | None:
        """Mean moisture of every slab on a series' days, likewise; None where no air is known."""
        asked = (int(daily.day[0]), through, start_pct)
        if asked not in self.made:
            inputs, since = self.inputs, int(np.searchsorted(self.inputs.day, asked[0]))
            air = (inputs.day[since:], inputs.temp_c[since:], inputs.rh_pct[since:])
            climate = whole_climate(*air, known_through=through, may_stand_still=False)
            known = None if climate is None else replace(climate, start_pct=start_pct)
            self.made[asked] = None if known is None else grid_moisture_pct(known)
        grid = self.made[asked]
        return None if grid is None else grid[: daily.day.size]


def last_refit_day(inputs: DoorInputs) -> int | None:
    """The last day at which a door's record was of an age to be refitted; None before the first.

    Until the next one missing air is filled from the days up to it alone.
    """
    days = _refit_days(inputs)
    return days[-1] if days else None


def daily_of(inputs: DoorInputs, one: DaySeries) -> Daily | None:
    """A series' days from the first seen to the last; None where none is."""
    span = seen_span(one.value)
    if span is None:
        return None
    return Daily(
        day=inputs.day[span], value=one.value[span], temp_c=inputs.temp_c[span], rh_pct=inputs.rh_pct[span]
    )


def followed(
    before: Mapping[str, SeriesWatch],
    inputs: DoorInputs,
    line: Line,
    made: Sequence[DaySeries],
    air: Air | None = None,
) -> dict[str, Followed]:
    """Bring the watch over each series to the last day; a series that was not fitted yet is not there.

    made: the door's series, their missing air filled up to `last_refit_day`. A watch goes on from where it
    stood while its past is unchanged, else from what is kept of it before what changed, else from its first
    day. air: of these days or of more; None: of these.
    """
    basis, air = Basis(inputs, line), air or Air(inputs)
    whole = {one.key: daily for one in made if (daily := daily_of(inputs, one)) is not None}
    ways = {
        one.key: _started(before.get(one.key), whole[one.key], one.facts, basis)
        for one in made
        if one.key in whole
    }
    for part, series in _parts(
        inputs, line, made, since=min((way.tried for way in ways.values()), default=0)
    ):
        for one in series:
            daily = whole.get(one.key) if part is inputs else daily_of(part, one)
            way = ways.get(one.key)
            if daily is not None and way is not None:
                ways[one.key] = _gone_on(way, daily, one.facts, (basis, air))
    return {
        one.key: Followed(watch=_watch(ways[one.key], one.facts, basis), laid=laid)
        for one in made
        if one.key in ways and (laid := ways[one.key].laid) is not None
    }


def told(found: Followed, facts: DoorFacts) -> Decomposition:
    """What is said tonight: a solve of all days with what the last fit kept, and the steps found since."""
    laid, watched = found.laid, found.watch.now.watched
    kept = carried(watched, int(laid.day[0]))
    fit = solved_rows(laid, kept.noise, laid.day.size, unseen=kept.unseen, steps=kept.steps)
    return answer(
        fit,
        np.isin(laid.day, kept.unseen),
        facts,
        early=laid.ready.early,
        observed=laid.ready.observed,
        every_days=None,
    )


def _refit_days(inputs: DoorInputs) -> list[int]:
    if inputs.day.size == 0:
        return []
    first = int(inputs.day[0])
    return [first + age for age in refit_ages(int(inputs.day[-1]) - first)]


def _started(before: SeriesWatch | None, daily: Daily, facts: DoorFacts, basis: Basis) -> _Way:
    first, last = int(daily.day[0]), int(daily.day[-1])

    def holds(day: int, known: str) -> bool:
        return day <= last and basis.upto(day, facts, first) == known

    if before is None:
        return _Way(standing=None, tried=first)
    if holds(before.now.day, before.basis):  # and with it what was kept on the way there
        now = before.now
        return _Way(standing=now, tried=now.day, refits=before.refits, points=before.points)
    refits, points = (
        tuple(point for point in kept if holds(point.day, point.basis))
        for kept in (before.refits, before.points)
    )
    if not refits and not points:
        return _Way(standing=None, tried=first)
    now = unpacked(max((*refits, *points), key=lambda point: point.day).state)
    return _Way(standing=now, tried=now.day, refits=refits, points=points)


def _parts(
    inputs: DoorInputs, line: Line, made: Sequence[DaySeries], *, since: int
) -> Iterable[tuple[DoorInputs, Sequence[DaySeries]]]:
    """The record up to the end of each stretch between refits that goes past `since`, with its series."""
    days = _refit_days(inputs)
    for begins, following in pairwise(days):
        if following - 1 > since:
            part = as_of(inputs, inputs.hung_day + following)
            yield part, made_series(part, line, moisture_of(part, line, known_through=begins))
    if days:
        yield inputs, made


def _gone_on(way: _Way, daily: Daily, facts: DoorFacts, shared: tuple[Basis, Air]) -> _Way:
    """As far as the record goes: night by night, and a refit on each day at which one is due."""
    basis, first, last = shared[0], int(daily.day[0]), int(daily.day[-1])
    due = [day for day in (first + age for age in refit_ages(last - first)) if day > way.tried]
    for day in due:
        way = _by_night(way, daily, facts, (*shared, day - 1))
        before = way.standing
        begun = began(daily.up_to(day), facts, before=None if before is None else before.watched)
        way = replace(way, tried=day)
        if begun is not None:
            standing = _stood(before, begun, day=day)
            point = Point(day=day, basis=basis.upto(day, facts, first), state=packed(standing))
            way = replace(way, standing=standing, refits=(*way.refits, point))
    return replace(_by_night(way, daily, facts, (*shared, last)), tried=max(way.tried, last))


def _by_night(way: _Way, daily: Daily, facts: DoorFacts, asked: tuple[Basis, Air, int]) -> _Way:
    """Every night up to a day, without a refit; the record laid out up to there."""
    standing, (basis, air, until) = way.standing, asked
    if standing is None:
        return way
    kept = standing.watched.kept
    laying = replace(kept, steps=(*kept.steps, *standing.watched.online))
    some = daily.up_to(until)
    laid = laid_out(
        laying,
        some,
        facts,
        grid_pct=air.grid_pct(some, kept.through, facts.start_pct),
        climate=air.climate(some, kept.through),
    )
    if isinstance(laid, Decomposition):
        return replace(way, laid=None)
    points = list(way.points)
    for place in range(standing.watched.place + 1, some.day.size):
        standing = _stood(standing, night(standing.watched, laid, place), day=int(some.day[place]))
        laid = with_more_steps(laid, standing.watched.online)
        if standing.day % POINT_DAYS == 0 and some.day.size - place <= POINTS * POINT_DAYS:
            known = basis.upto(standing.day, facts, int(daily.day[0]))
            points.append(Point(day=standing.day, basis=known, state=packed(standing)))
    return replace(way, standing=standing, laid=laid, points=tuple(points[-POINTS:]))


def _stood(before: Standing | None, came: tuple[Watched, Alarm | None], *, day: int) -> Standing:
    watched, alarm = came
    since = day if alarm else None if before is None else before.alarm_day
    return Standing(watched=watched, day=day, alarm_day=since if watched.is_latched else None)


def _watch(way: _Way, facts: DoorFacts, basis: Basis) -> SeriesWatch:
    if way.standing is None or way.laid is None:
        raise AssertionError("a record is laid out for a watch that stands alone")
    first = int(way.laid.day[0])
    return SeriesWatch(
        now=way.standing,
        basis=basis.upto(way.standing.day, facts, first),
        refits=way.refits,
        points=way.points,
    )
