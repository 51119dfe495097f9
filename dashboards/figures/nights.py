"""The nights of a trial as drawn: its bounds from year to year, none across the middle."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dashboards.figures.geometry import (
    WIDE,
    Axis,
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

HEIGHT = 280.0
MOST_POINTS = 400
WIDEST_SHOWN = 4.0
EVERY_YEAR_TO = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """One night: years since the start, the difference and its bounds."""

    years: float
    middle: float
    low: float
    high: float


def nights(told: Sequence[Night], *, horizon_years: float, band: float) -> Still:
    """Bounds by night to the trial's end; bounds far wider than the last night's run out of the drawing."""
    shown = thinned(told)
    years, middle, low, high = (
        np.array([getattr(one, name) for one in shown]) for name in ("years", "middle", "low", "high")
    )
    reach = max(float(np.abs(middle).max()), band, WIDEST_SHOWN / 2 * float(high[-1] - low[-1])) * 1.1
    x, y = Axis(low=0.0, high=horizon_years * 1.03, length=WIDE), Axis(low=reach, high=-reach, length=HEIGHT)
    across, step = x.at(years), nice_step(2 * reach, 5)
    rows = [value for value in ticks(-reach, reach, step) if value]
    every = 1.0 if horizon_years <= EVERY_YEAR_TO else 2.0
    under = [_level("g-rule", y, value) for value in rows]
    over = [_level("g-hung", y, 0.0), *(_level("g-limit", y, value) for value in (-band, band))]
    names = [Label(text=tick_label(value, step), x="-8", y=y.pct(value), kind="e", dy=4) for value in rows]
    names += [
        Label(text=f"{value:.0f}\u00a0y", x=x.pct(value), y="100%", kind="m", dy=20)
        for value in ticks(every, horizon_years, every)
    ]
    names.append(Label(text="no difference", x="100%", y=y.pct(0.0), kind="e ti", dy=-4))
    return Still(
        height=HEIGHT,
        strokes=(
            Stroke(kind="f-stays f-half", path=area(across, y.at(high), y.at(low))),
            Stroke(kind="b-edge", path=line(across, y.at(high)) + line(across, y.at(low))),
            Stroke(kind="l-stays", path=line(across, y.at(middle))),
        ),
        under=tuple(under),
        over=tuple(over),
        labels=tuple(names),
    )


def thinned(told: Sequence[Night]) -> list[Night]:
    """At most 400 of them, the last among them."""
    every = -(-len(told) // MOST_POINTS)
    return list(reversed(list(reversed(told))[::every]))


def _level(kind: str, y: Axis, value: float) -> Rule:
    return Rule(kind=kind, x1="0", x2="100%", y1=y.pct(value), y2=y.pct(value))
