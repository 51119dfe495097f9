"""The hung line: from which days everything is counted, and each gauge's reading then."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from server.doors.versions import KeptLine
from server.inspection.spans import BEDDING_DAYS, Span, spans_of, trended_gauges
from server.inspection.values import DoorInputs

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

WINDOW_DAYS = 14
GOOD_DAYS, GOOD_READINGS = 10, 12
# A median absolute deviation times this is the standard deviation of a normal spread.
MAD_SD = 1.4826


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """The days [start, stop) since hanging from which is counted; `first` is provisional.

    `each`: the lines of every version of the door, in order; the first one that is drawn is this one.
    `kept`: it was fixed on the night it was drawn, and is read from there. `shifted_mm`: by how much the
    readings that are stored now would move the zero that was fixed; 0 is left out.
    """

    kind: Literal["none", "first", "hung"]
    start: int
    stop: int
    since_heard: bool
    zero_mm: Mapping[str, float]
    """Each gauge's median of those days; a gauge with too few of them is not there."""
    spread_mm: Mapping[str, float] = field(default_factory=dict)
    good_days: int = 0
    kept: bool = False
    shifted_mm: Mapping[str, float] = field(default_factory=dict)
    each: tuple["Line", ...] = ()

    def sd_mm(self, name: str, declared: float) -> float:
        """A gauge's sd: as declared, or its spread over the days of a hung line where that is more."""
        spread = self.spread_mm.get(name, 0.0) if self.kind == "hung" else 0.0
        return max(declared, spread)

    @property
    def now(self) -> "Line":
        """The line of the version that stands on the last of the days."""
        return self.each[-1] if self.each else self


@dataclass(frozen=True, slots=True, kw_only=True)
class _Heard:
    """A span's gauges: their days, and on which of them each was heard, and heard often enough."""

    day: IntArray
    median: Mapping[str, FloatArray]
    heard: Mapping[str, BoolArray]
    good: Mapping[str, BoolArray]

    @classmethod
    def of(cls, inputs: DoorInputs, gauges: tuple[str, ...], span: Span) -> "_Heard":
        mine = span.within(inputs.day)
        median = {name: inputs.gauges[name].median[mine] for name in gauges}
        heard = {name: np.isfinite(one) for name, one in median.items()}
        often = {name: inputs.gauges[name].n[mine] >= GOOD_READINGS for name in gauges}
        return cls(
            day=inputs.day[mine],
            median=median,
            heard=heard,
            good={name: heard[name] & often[name] for name in gauges},
        )

    def good_days(self) -> IntArray:
        """Days on which at least half of the gauges read often enough."""
        if not self.good:
            return self.day[:0]
        often: IntArray = np.sum(list(self.good.values()), axis=0)
        return self.day[often * 2 >= len(self.good)]


def drawn_line(inputs: DoorInputs, gauges: tuple[str, ...]) -> Line:
    """The line of a door, from the gauges that are trended; each later version of it has one of its own.

    Hung: the fortnight after a fortnight's use with at least 10 good days, a day later at a time; a day is
    good when at least half of the gauges have 12 readings or more. Before it, a first line in pencil from the
    first fortnight. A line that was fixed is read as it was kept.
    """
    spans = spans_of(inputs)
    lines = []
    for span in spans:
        mine = gauges if span.built == inputs.door.built else trended_gauges(span.built)
        heard = _Heard.of(inputs, tuple(name for name in mine if name in inputs.gauges), span)
        lines.append(_fixed(inputs, span, heard) or _drawn(span, heard))
    counts = next((line for line in lines if line.kind != "none"), lines[0])
    return replace(counts, each=tuple(lines))


def _fixed(inputs: DoorInputs, span: Span, heard: _Heard) -> Line | None:
    """The line that was kept; None before the night on which it was drawn."""
    kept = span.version.line
    if kept is None or heard.day.size == 0 or kept.stop_day - inputs.hung_day > int(heard.day[-1]) + 1:
        return None
    start, stop = kept.start_day - inputs.hung_day, kept.stop_day - inputs.hung_day
    now = {name: zero for name, (zero, _) in _zeros(heard, heard.good, (start, stop), GOOD_DAYS).items()}
    was = {name: one.zero_mm for name, one in kept.gauges.items()}
    return Line(
        kind="hung",
        start=start,
        stop=stop,
        since_heard=kept.since_heard,
        # A gauge of which nothing was fixed, calibrated later perhaps, is read from the same days.
        zero_mm=now | was,
        spread_mm={name: one.spread_mm for name, one in kept.gauges.items()},
        good_days=kept.good_days,
        kept=True,
        shifted_mm=_shifted(kept, now),
    )


def _shifted(kept: KeptLine, now: Mapping[str, float]) -> dict[str, float]:
    moved = {name: now[name] - one.zero_mm for name, one in kept.gauges.items() if name in now}
    return {name: by for name, by in moved.items() if by != 0.0}


def _drawn(span: Span, heard: _Heard) -> Line:
    days = np.flatnonzero(np.any(list(heard.heard.values()), axis=0)) if heard.heard else np.zeros(0, int)
    if days.size == 0:
        return Line(kind="none", start=0, stop=0, since_heard=False, zero_mm={})
    begins = max(span.first, 0)
    first, last = int(heard.day[days[0]]), int(heard.day[days[-1]])
    since_heard = first > begins + BEDDING_DAYS
    since = (first if since_heard else begins) + span.bedding_days
    good_days = heard.good_days()
    start = _window(good_days, since, last)
    if start is None:
        return _line(heard, heard.heard, kind="first", since_heard=since_heard, start=first)
    return _line(heard, heard.good, kind="hung", since_heard=since_heard, start=start)


def _window(good_days: IntArray, since: int, last: int) -> int | None:
    for start in range(since, last - WINDOW_DAYS + 2):
        if ((good_days >= start) & (good_days < start + WINDOW_DAYS)).sum() >= GOOD_DAYS:
            return start
    return None


def _line(
    heard: _Heard,
    usable: Mapping[str, BoolArray],
    *,
    kind: Literal["first", "hung"],
    since_heard: bool,
    start: int,
) -> Line:
    stop = start + WINDOW_DAYS
    found = _zeros(heard, usable, (start, stop), GOOD_DAYS if kind == "hung" else 1)
    good_days = heard.good_days()
    return Line(
        kind=kind,
        start=start,
        stop=min(stop, int(heard.day[-1]) + 1),
        since_heard=since_heard,
        zero_mm={name: zero for name, (zero, _) in found.items()},
        spread_mm={name: spread for name, (_, spread) in found.items()},
        good_days=int(((good_days >= start) & (good_days < stop)).sum()),
    )


def _zeros(
    heard: _Heard, usable: Mapping[str, BoolArray], window: tuple[int, int], needed: int
) -> dict[str, tuple[float, float]]:
    """Median of each gauge over a window's usable days, and the spread of those days about it."""
    within = (heard.day >= window[0]) & (heard.day < window[1])
    found = {}
    for name, days in usable.items():
        if (within & days).sum() >= needed:
            of_window = heard.median[name][within & days]
            zero = float(np.median(of_window))
            found[name] = (zero, MAD_SD * float(np.median(np.abs(of_window - zero))))
    return found
