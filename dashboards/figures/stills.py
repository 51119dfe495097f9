"""Stills: the figures as first drawn, from weekly means. Down is down: droop runs downwards from the line."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from dashboards.figures.geometry import (
    WIDE,
    Axis,
    Dot,
    FloatArray,
    Label,
    Rule,
    Still,
    Stroke,
    area,
    line,
    nice_step,
    tick_label,
    ticks,
)
from dashboards.figures.weeks import Round, Weeks, branches

HEIGHT = 320.0
ROUND_HEIGHT = 300.0
SPARK_HEIGHT = 60.0
TICK_FROM = "95%"
EPOCH = date(1970, 1, 1)
MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Depth:
    """The range of a droop axis in mm, `top` above the hung line (negative), and its step between ticks."""

    top: float
    bottom: float
    step: float
    shows_limit: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PairLine:
    """One door of two: years since hung, what stays and its bounds in mm."""

    name: str
    years: FloatArray
    stays: FloatArray
    low: FloatArray
    high: FloatArray
    is_dashed: bool


def depth_of(weeks: Weeks, limit_mm: float | None) -> Depth:
    """A depth that holds all that is drawn, and the limit where that does not crush the rest."""
    every = np.concatenate([weeks.seen, weeks.fitted, weeks.stays, np.zeros(1)])
    deep, high = float(np.nanmax(every)), float(np.nanmin(every))
    reach = max(deep, 0.2)
    shows_limit = limit_mm is not None and limit_mm <= 4 * reach
    bottom = max(reach * 1.1, (limit_mm or 0.0) * 1.1 if shows_limit else 0.0)
    top = min(high * 1.15, -0.06 * bottom)
    return Depth(top=top, bottom=bottom, step=nice_step(bottom - top, 5), shows_limit=shows_limit)


@dataclass(frozen=True, slots=True, kw_only=True)
class Onward:
    """Days since 1970 between which the limit may be reached; `latest` None: how long after is not known."""

    earliest: float
    latest: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """What is written in a trend: the limit (mm) and its words, the line's name, and where it went silent.

    `ticks`: days since 1970 of marks, with a "?" for steps that nobody logged. `onward` is drawn live alone.
    """

    limit_mm: float | None
    limit: str
    line: str
    quiet: str | None = None
    today: float | None = None
    ticks: tuple[tuple[float, str], ...] = ()
    onward: Onward | None = None
    unit: str = "mm"


def trend(weeks: Weeks, depth: Depth, words: Words) -> Still:
    """The movement since hanging: red to what stays, blue to what is fitted, pencil what was measured."""
    x, y = _time_axis(weeks, words.today), Axis(low=depth.top, high=depth.bottom, length=HEIGHT)
    over = [Rule(kind="g-hung", x1="0", x2="100%", y1=y.pct(0), y2=y.pct(0))]
    labels = [Label(text=words.line, x="100%", y=y.pct(0), kind="e ti", dy=-6)]
    if words.limit_mm is not None and depth.shows_limit:
        at = y.pct(words.limit_mm)
        over.append(Rule(kind="g-limit", x1="0", x2="100%", y1=at, y2=at))
        # on the left: what grows comes to it on the right
        labels.append(Label(text=words.limit, x="0", y=at, kind="ti", dy=-6))
    if words.quiet:
        stopped = x.pct(float(weeks.day[-1]))
        over.append(Rule(kind="g-now", x1=stopped, x2=stopped, y1=y.pct(0), y2="100%"))
        labels.append(Label(text=words.quiet, x=stopped, y="75%", kind="h e", dx=-6))
    for day, text in words.ticks:
        at = x.pct(min(max(day, x.low), x.high))
        over.append(Rule(kind="g-tick", x1=at, x2=at, y1=TICK_FROM, y2="100%"))
        if text:
            labels.append(Label(text=text, x=at, y=TICK_FROM, kind="h m", dy=-4))
    under, names = _grid(depth, y)
    return Still(
        height=HEIGHT,
        strokes=_trend_strokes(weeks, x, y),
        under=under,
        over=tuple(over),
        labels=(*names, *_dates(x), *labels),
    )


def season_round(told: Sequence[Round]) -> Still:
    """What comes back against moisture content, one blue line a year, the newest strongest."""
    moist = np.concatenate([one.moisture for one in told])
    back = np.concatenate([one.back for one in told])
    x = Axis(low=float(moist.min()) - 0.4, high=float(moist.max()) + 0.8, length=WIDE)
    reach = max(float(np.abs(back).max()) * 1.25, 0.02)
    y, step = Axis(low=-reach, high=reach, length=ROUND_HEIGHT), nice_step(2 * reach, 5)
    strokes = tuple(
        Stroke(kind=f"l-season y{k + 5 - len(told)}", path=line(x.at(one.moisture), y.at(one.back)))
        for k, one in enumerate(told)
    )
    last = told[-1]
    now_x, now_y = x.pct(float(last.moisture[-1])), y.pct(float(last.back[-1]))
    under, names = _grid(Depth(top=-reach, bottom=reach, step=step, shows_limit=False), y)
    across = nice_step(x.high - x.low, 4)
    cols = tuple(
        Label(text=f"{tick_label(v, across)}\u00a0%", x=x.pct(v), y="100%", kind="m", dy=20)
        for v in ticks(x.low, x.high, across)
    )
    # Under the dot: beside it the round itself goes on.
    now = Label(text="now", x=now_x, y=now_y, kind="ti m", dy=20)
    hand = tuple(
        Label(text=text, x=x.pct(moisture), y=y.pct(back), kind="h m")
        for text, moisture, back in round_words(last, reach)
    )
    return Still(
        height=ROUND_HEIGHT,
        strokes=strokes,
        under=under,
        labels=(*names, *cols, *hand, now),
        dots=(Dot(x=now_x, y=now_y),),
    )


def round_words(last: Round, reach: float) -> list[tuple[str, float, float]]:
    """Where the two branches of the newest round are named: above the upper, below the lower."""
    told = sorted(branches(last).items(), key=lambda item: item[1][1])
    if len(told) < 2:
        return []
    (upper, (x, up)), (lower, (_, down)) = told
    away = 0.3 * reach
    return [(upper, x, max(up - away, -reach * 0.9)), (lower, x, min(down + away * 1.2, reach * 0.95))]


def pair(lines: Sequence[PairLine], *, least: float = 0.2) -> Still:
    """What stays of two doors by years since hung, both red: told apart by dash and by name.

    `least`: how deep the drawing is at least, in the unit of the lines.
    """
    end = max(float(one.years[-1]) for one in lines) * 1.14
    low = min(float(np.nanmin(one.low)) for one in lines)
    high = max(float(np.nanmax(one.high)) for one in lines)
    bottom, top = max(high * 1.08, least), min(low * 1.08, -least / 10)
    x = Axis(low=0.0, high=end, length=WIDE)
    y = Axis(low=top, high=bottom, length=HEIGHT)
    fills, edges, names = [], [], []
    for one in lines:
        across, dash = x.at(one.years), " dash" if one.is_dashed else ""
        upper, lower = y.at(one.low), y.at(one.high)
        fills.append(Stroke(kind="f-stays f-half", path=area(across, upper, lower)))
        edges.append(Stroke(kind=f"b-edge{dash}", path=line(across, upper) + line(across, lower)))
        edges.append(Stroke(kind=f"l-stays{dash}", path=line(across, y.at(one.stays))))
    for one, down in zip(lines, _apart([y.one(_last(one.stays)) for one in lines]), strict=True):
        # up to the edge, so that no name is cut
        names.append(Label(text=one.name, x="100%", y=f"{down / HEIGHT * 100:.2f}%", kind="e ts", dy=4))
    step = nice_step(bottom - top, 5)
    under, rows = _grid(Depth(top=top, bottom=bottom, step=step, shows_limit=False), y)
    cols = tuple(
        Label(text=f"{v:.0f}\u00a0y", x=x.pct(v), y="100%", kind="m", dy=20)
        for v in ticks(1, end / 1.14, max(1.0, nice_step(end, 6)))
    )
    # on the right, where neither line goes on: on the left all of them leave it
    zero = Label(text="hung line", x="100%", y=y.pct(0), kind="e ti", dy=-6)
    return Still(height=HEIGHT, strokes=(*fills, *edges), under=under, labels=(*rows, *cols, zero, *names))


def spark(weeks: Weeks, *, top_mm: float, depth_mm: float, first_day: float, last_day: float) -> Still:
    """A small drawing; all of a list share one depth and one time axis, and end today."""
    x = Axis(low=first_day, high=max(last_day, first_day + 1), length=WIDE)
    y = Axis(low=top_mm, high=depth_mm, length=SPARK_HEIGHT)
    place, seen, stays = x.at(weeks.day), y.at(weeks.seen), y.at(weeks.stays)
    strokes = [Stroke(kind="l-season", path=line(place, seen))]
    if weeks.is_parted:
        strokes.insert(0, Stroke(kind="f-stays", path=area(place, np.full_like(stays, y.one(0.0)), stays)))
        strokes.append(Stroke(kind="l-stays", path=line(place, stays)))
    heard = np.flatnonzero(np.isfinite(seen))
    if heard.size and x.high - weeks.day[heard[-1]] > 21:
        k = int(heard[-1])
        strokes.append(Stroke(kind="gap", path=line([place[k], WIDE], [seen[k], seen[k]])))
    start = x.pct(float(weeks.day[0]))
    return Still(
        height=SPARK_HEIGHT,
        strokes=tuple(strokes),
        over=(Rule(kind="g-hung", x1=start, x2="100%", y1=y.pct(0), y2=y.pct(0)),),
    )


def _trend_strokes(weeks: Weeks, x: Axis, y: Axis) -> tuple[Stroke, ...]:
    place, seen = x.at(weeks.day), y.at(weeks.seen)
    if not weeks.is_parted:
        return (Stroke(kind="l-dots only", path=line(place, seen)),)
    stays, both = y.at(weeks.stays), y.at(weeks.fitted)
    zero = np.full_like(stays, y.one(0.0))
    kept = np.where(stays > zero, np.maximum(zero, np.minimum(stays, both)), stays)
    return (
        Stroke(kind="f-season", path=area(place, stays, both)),
        Stroke(kind="f-stays", path=area(place, zero, kept)),
        Stroke(kind="l-dots", path=line(place, seen)),
        Stroke(kind="l-season", path=line(place, both)),
        Stroke(kind="l-stays", path=line(place, stays)),
    )


def _time_axis(weeks: Weeks, today: float | None) -> Axis:
    first, last = float(weeks.day[0]), max(float(weeks.day[-1]), today or 0.0)
    return Axis(low=first, high=last + max(last - first, 1.0) * 0.02, length=WIDE)


def _grid(depth: Depth, y: Axis) -> tuple[tuple[Rule, ...], tuple[Label, ...]]:
    rules, names = [], []
    for value in ticks(depth.top, depth.bottom, depth.step):
        at = y.pct(value)
        kind = "g-hung" if value == 0 else "g-rule"
        rules.append(Rule(kind=kind, x1="0", x2="100%", y1=at, y2=at))
        names.append(Label(text=tick_label(value, depth.step), x="-8", y=at, kind="e", dy=4))
    return tuple(rules), tuple(names)


def _dates(x: Axis) -> tuple[Label, ...]:
    first = EPOCH + timedelta(days=int(x.low))
    last = EPOCH + timedelta(days=int(x.high))
    days = (x.high - x.low) * WIDE / x.length
    if days > 500:
        marks = [(date(year, 1, 1), str(year)) for year in range(first.year + 1, last.year + 1)]
    else:
        every = 14 if days < 60 else 30 if days < 240 else 61
        marks = [
            (day, f"{day.day}\u00a0{MONTHS[day.month - 1]}")
            for day in (first + timedelta(days=k) for k in range(every, int(days), every))
        ]
    return tuple(
        Label(text=text, x=x.pct((day - EPOCH).days), y="100%", kind="m", dy=20) for day, text in marks
    )


def _last(values: FloatArray) -> float:
    return float(values[np.isfinite(values)][-1])


def _apart(places: list[float], least: float = 18.0) -> list[float]:
    if len(places) == 2 and abs(places[0] - places[1]) < least:
        middle, upper = sum(places) / 2, 0 if places[0] <= places[1] else 1
        moved = [middle + least / 2, middle + least / 2]
        moved[upper] = middle - least / 2
        return moved
    return places
