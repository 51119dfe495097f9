"""A new gauge beside the one it replaces: tied over the days on which both were read, else said not to be."""

import math
from collections.abc import Sequence

import numpy as np

from server.doors.built import Gauge
from server.doors.changes import OVERLAP_WITHIN_DAYS, replaced_by
from server.doors.versions import Overlap
from server.inspection.spans import Span
from server.inspection.values import DoorInputs
from server.inspection.zeros import GOOD_READINGS, median_and_spread

# Days of both that are asked for, and how few still tie them. Source: joinery, section 13; the few are ours.
OVERLAP_DAYS, FEWEST_DAYS = 7, 4
# Two gauges whose difference spreads by more of their own sd do not read one movement. Our convention.
MOST_SPREAD_SD = 2.0
MEDIAN_SD = math.sqrt(math.pi / 2)
"""Standard deviation of a median over that of a mean, of many normal draws."""


def overlaps(inputs: DoorInputs, spans: Sequence[Span]) -> dict[str, Overlap]:
    """Each gauge that is new in the last of these spans and replaces one of the span before, beside it."""
    if len(spans) < 2:
        return {}
    before, span = spans[-2:]
    old = {gauge.channel: gauge for gauge in before.built.gauges}
    new = {gauge.channel: gauge for gauge in span.built.gauges}
    return {
        name: _overlap(inputs, span, old[was], new[name])
        for name, was in replaced_by(before.built, span.built).items()
        if was in old
    }


def _overlap(inputs: DoorInputs, span: Span, old: Gauge, new: Gauge) -> Overlap:
    none = Overlap(replaces=old.channel, days=0, by_mm=None, sd_mm=None)
    if not {old.channel, new.channel} <= set(inputs.gauges):
        return none
    was, now = inputs.gauges[old.channel], inputs.gauges[new.channel]
    both = (inputs.day >= span.first) & (inputs.day < span.first + OVERLAP_WITHIN_DAYS)
    for one in (was, now):
        both &= np.isfinite(one.median) & (one.n >= GOOD_READINGS)
    # The first of them: an old gauge that was taken off may go on sending from a bench.
    places = np.flatnonzero(both)[:OVERLAP_DAYS]
    days = int(places.size)
    if days < FEWEST_DAYS:
        return Overlap(replaces=old.channel, days=days, by_mm=None, sd_mm=None)
    by_mm, spread_mm = median_and_spread(now.median[places] - was.median[places])
    if spread_mm > MOST_SPREAD_SD * math.hypot(old.sd_mm, new.sd_mm):
        return Overlap(replaces=old.channel, days=days, by_mm=None, sd_mm=None)
    sd_mm = MEDIAN_SD * spread_mm / math.sqrt(days)
    return Overlap(replaces=old.channel, days=days, by_mm=by_mm, sd_mm=sd_mm)
