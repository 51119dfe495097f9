"""What is told once: the hung line soon, drawn, or late; and that a year is heard."""

import numpy as np

from server.inspection.found import told
from server.inspection.line import GOOD_DAYS, WINDOW_DAYS
from server.inspection.seen import Seen
from server.inspection.spans import BEDDING_DAYS, spans_of
from server.inspection.values import DoorInputs, Finding
from server.inspection.zeros import GOOD_READINGS

SOON_DAYS, FRESH_DAYS, FIRST_WORD_DAYS = 7, 7, 30


def news(seen: Seen) -> list[Finding]:
    """What there is to tell tonight, each under its own day, for some nights: a missed one loses none."""
    inputs = seen.inputs
    if inputs.day.size == 0:
        return []
    found = [*_line(seen), *_first_word(seen)]
    return [
        Finding(
            topic="news",
            about=f"{inputs.door.name}/{step}@{told.day_text(inputs.hung_day + day)}",
            evidence=dict(evidence),
        )
        for step, day, evidence in found
    ]


def _line(seen: Seen) -> list[tuple[str, int, dict[str, object]]]:
    """Days since hanging: the line stands from the end of its fortnight on."""
    inputs = seen.inputs
    line = None if seen.line is None else seen.line.now
    tonight = inputs.last_ended + 1
    if line is not None and line.kind == "hung":
        return [("line_fixed", line.stop, {})] if 0 <= tonight - line.stop < FRESH_DAYS else []
    span = spans_of(inputs)[-1]
    begins = max(span.first, 0)
    first = max(int(inputs.day[0]), begins)
    since = first if first > begins + BEDDING_DAYS else begins
    planned = since + span.bedding_days + WINDOW_DAYS
    if planned - SOON_DAYS <= tonight < planned:
        return [("line_soon", planned, {})]
    # one fortnight after another, each told once
    late = planned + (tonight - planned) // WINDOW_DAYS * WINDOW_DAYS
    if tonight < planned or tonight - late >= FRESH_DAYS:
        return []
    return [("line_late", late, {"good_days": _good_days(inputs, late)})]


def _good_days(inputs: DoorInputs, stop: int) -> int:
    """How many of the 14 days before `stop` were good: half of the gauges with 12 readings or more."""
    within = (inputs.day >= stop - WINDOW_DAYS) & (inputs.day < stop)
    if not inputs.gauges:
        return 0
    good = np.array([np.isfinite(one.median) & (one.n >= GOOD_READINGS) for one in inputs.gauges.values()])
    return min(int((good[:, within].sum(axis=0) * 2 >= len(inputs.gauges)).sum()), GOOD_DAYS - 1)


def _first_word(seen: Seen) -> list[tuple[str, int, dict[str, object]]]:
    """Once a year is heard and a series is served: before that nothing is parted."""
    inputs = seen.inputs
    served = [one for one in seen.looks.values() if one.number("stays") is not None]
    days = [day for one in served if (day := one.number("first_word_day")) is not None]
    if not days:
        return []
    day = int(min(days)) - inputs.hung_day
    return [("first_word", day, {})] if 0 <= inputs.last_ended + 1 - day < FIRST_WORD_DAYS else []
