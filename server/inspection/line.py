"""The hung line: from which days everything is counted, and each gauge's reading then."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from server.doors.versions import KeptLine, Overlap
from server.inspection.spans import BEDDING_DAYS, Span, spans_of, trended_gauges
from server.inspection.tied import overlaps
from server.inspection.values import DoorInputs
from server.inspection.zeros import Heard

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

WINDOW_DAYS = 14
GOOD_DAYS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """The days [start, stop) since hanging from which is counted; `first` is provisional.

    `each`: the lines of every version of the door, in order; the first one that is drawn is this one.
    `kept`: it was fixed on the night it was drawn, and is read from there. `shifted_mm`: by how much the
    readings that are stored now would move the zero that was fixed; 0 is left out. `tied`: gauges that
    replace another, beside it; the zero of one that is tied is what it would have read at the other's.
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
    tied: Mapping[str, Overlap] = field(default_factory=dict)
    each: tuple["Line", ...] = ()

    def sd_mm(self, name: str, declared: float) -> float:
        """A gauge's sd: as declared, or its spread over the days of a hung line where that is more."""
        spread = self.spread_mm.get(name, 0.0) if self.kind == "hung" else 0.0
        return max(declared, spread)

    def is_tied(self, name: str) -> bool:
        """Whether a gauge replaces another and goes on from what that one had come to."""
        return name in self.tied and self.tied[name].by_mm is not None and name in self.zero_mm

    @property
    def now(self) -> "Line":
        """The line of the version that stands on the last of the days."""
        return self.each[-1] if self.each else self


def drawn_line(inputs: DoorInputs, gauges: tuple[str, ...]) -> Line:
    """The line of a door, from the gauges that are trended; each later version of it has one of its own.

    Hung: the fortnight after a fortnight's use with at least 10 good days, a day later at a time; a day is
    good when at least half of the gauges have 12 readings or more. Before it, a first line in pencil from the
    first fortnight. A line that was fixed is read as it was kept.
    """
    spans = spans_of(inputs)
    lines: list[Line] = []
    for place, span in enumerate(spans):
        mine = gauges if span.built == inputs.door.built else trended_gauges(span.built)
        heard = Heard.of(inputs, tuple(name for name in mine if name in inputs.gauges), span)
        drawn = _tied(_drawn(span, heard), overlaps(inputs, spans[: place + 1]), spans, lines)
        lines.append(_fixed(inputs, span, heard, drawn) or drawn)
    counts = next((line for line in lines if line.kind != "none"), lines[0])
    return replace(counts, each=tuple(lines))


def _tied(line: Line, found: Mapping[str, Overlap], spans: Sequence[Span], earlier: Sequence[Line]) -> Line:
    """With the zero of each gauge that replaces another set by that one's, where the two are tied."""
    zero_mm, tied = dict(line.zero_mm), dict(found)
    for name, one in found.items():
        was_mm = _zero_before(one.replaces, spans, earlier)
        if one.by_mm is None or was_mm is None:
            tied[name] = replace(one, by_mm=None, sd_mm=None)
        elif name in zero_mm:
            zero_mm[name] = was_mm + one.by_mm
    return replace(line, zero_mm=zero_mm, tied=tied)


def _zero_before(name: str, spans: Sequence[Span], earlier: Sequence[Line]) -> float | None:
    """The last zero of a gauge before it was replaced; None where it had none since it was set."""
    for span, line in zip(spans[len(earlier) - 1 :: -1], reversed(earlier), strict=True):
        if name in line.zero_mm:
            return line.zero_mm[name]
        if name in span.version.moved:
            return None
    return None


def _fixed(inputs: DoorInputs, span: Span, heard: Heard, drawn: Line) -> Line | None:
    """The line that was kept; None before the night on which it was drawn."""
    kept = span.version.line
    if kept is None or heard.day.size == 0 or kept.stop_day - inputs.hung_day > int(heard.day[-1]) + 1:
        return None
    start, stop = kept.start_day - inputs.hung_day, kept.stop_day - inputs.hung_day
    now = {name: zero for name, (zero, _) in heard.zeros(heard.good, (start, stop), GOOD_DAYS).items()}
    now |= {name: drawn.zero_mm[name] for name in drawn.tied if drawn.is_tied(name) and name in now}
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
        tied={name: one.tied for name, one in kept.gauges.items() if one.tied is not None},
    )


def _shifted(kept: KeptLine, now: Mapping[str, float]) -> dict[str, float]:
    moved = {name: now[name] - one.zero_mm for name, one in kept.gauges.items() if name in now}
    return {name: by for name, by in moved.items() if by != 0.0}


def _drawn(span: Span, heard: Heard) -> Line:
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
    heard: Heard,
    usable: Mapping[str, BoolArray],
    *,
    kind: Literal["first", "hung"],
    since_heard: bool,
    start: int,
) -> Line:
    stop = start + WINDOW_DAYS
    found = heard.zeros(usable, (start, stop), GOOD_DAYS if kind == "hung" else 1)
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
