"""One look at one door: its days in, findings and series out. Computes alone: no store, no clock."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from server.inspection.findings import door_findings
from server.inspection.line import Line, drawn_line
from server.inspection.moisture import Moisture, moisture_of
from server.inspection.seen import Seen
from server.inspection.series import DaySeries, made_series, trended_gauges
from server.inspection.trending import WHOLE, Asked, looked
from server.inspection.untold import untold
from server.inspection.values import DoorInputs, Inspection
from server.inspection.watching import Air, Followed, SeriesWatch, followed, last_refit_day

UNWATCHED = Asked(watched=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What a look said, and the watch over each series after it; empty before the first refit."""

    inspection: Inspection
    watches: Mapping[str, SeriesWatch] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Made:
    """A door's line, moisture and series, missing air filled from the days up to the last refit alone."""

    line: Line
    moisture: Moisture | None
    series: Sequence[DaySeries]


def look(inputs: DoorInputs) -> Inspection:
    """What a door's days say by the usual noise and slab, with no watch over them: no alarm, no found step.

    A refusal of any series is in the answer, with what was measured of it; no readings at all give none.
    """
    made = _made(inputs)
    return (
        Inspection(findings=door_findings(Seen(inputs=inputs, looks={})))
        if made is None
        else _said(inputs, made, {}, UNWATCHED)
    )


def watched_look(
    inputs: DoorInputs, before: Mapping[str, SeriesWatch], *, asked: Asked = WHOLE, air: Air | None = None
) -> Looked:
    """What a door's days say tonight, the watch over each of its series brought to this night.

    before: the watches as an earlier look left them; they go on from there while their past is unchanged.
    air: of these days or of more, where several nights are looked at.
    """
    made = _made(inputs)
    if made is None:
        return Looked(inspection=look(inputs), watches=before)
    watches = followed(before, inputs, made.line, made.series, air)
    return Looked(
        inspection=_said(inputs, made, watches, asked),
        watches={**before, **{key: one.watch for key, one in watches.items()}},
    )


def _made(inputs: DoorInputs) -> _Made | None:
    gauges = tuple(name for name in trended_gauges(inputs.door.built) if name in inputs.gauges)
    if not gauges or inputs.day.size == 0:
        return None
    line = drawn_line(inputs, gauges)
    moisture = moisture_of(inputs, line, known_through=last_refit_day(inputs))
    return _Made(line=line, moisture=moisture, series=made_series(inputs, line, moisture))


def _said(inputs: DoorInputs, made: _Made, watches: Mapping[str, Followed], asked: Asked) -> Inspection:
    looks = {
        one.key: looked(inputs, made.line, one, made.moisture, watches.get(one.key), asked)
        for one in made.series
    }
    seen = Seen(inputs=inputs, line=made.line, moisture=made.moisture, made=tuple(made.series), looks=looks)
    missing = untold(inputs, made.line, made.moisture, looks)
    return Inspection(findings=door_findings(seen), series=(*looks.values(), *missing))
