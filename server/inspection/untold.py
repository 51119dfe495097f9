"""Movements that a door's kit does not tell: a series of each without a number, and with its reason."""

from collections.abc import Collection

from server.inspection.line import Line
from server.inspection.moisture import Moisture
from server.inspection.moved import DERIVED
from server.inspection.spans import spans_of
from server.inspection.telling import tellings
from server.inspection.values import DoorInputs, SeriesLook, refused_look
from server.joinery.leaf import POSITION_KINDS

NOT_TOLD = "not_told"
FEW_DAYS = "its gauges tell it on fewer than half of the days, those near the moisture of its hung line"


def untold(
    inputs: DoorInputs, line: Line, moisture: Moisture | None, made: Collection[str]
) -> tuple[SeriesLook, ...]:
    """Sag, rack and droop that are not among the series `made` of a leaf that is gauged, each with why.

    A door without gauges of its leaf has none.
    """
    missing = [name for name in DERIVED if name not in made]
    built = spans_of(inputs)[-1].built
    if not missing or not any(gauge.kind in POSITION_KINDS for gauge in built.gauges):
        return ()
    reasons = {one.name: one.reason for one in tellings(inputs, line, moisture) if one.verdict == NOT_TOLD}
    return tuple(_nothing(inputs, line, name, reasons.get(name, FEW_DAYS)) for name in missing)


def _nothing(inputs: DoorInputs, line: Line, name: str, reason: str) -> SeriesLook:
    facts: dict[str, object] = {
        "unit": "mm",
        "told": NOT_TOLD,
        "first_day": None,
        "last_day": None,
        "days_seen": 0,
        "line": line.kind,
        "line_from": inputs.hung_day + line.start,
        "line_to": inputs.hung_day + line.stop,
        "since_heard": line.since_heard,
    }
    return refused_look(name, "mm", reason, facts)
