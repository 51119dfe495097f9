"""One look at one door: its days in, findings and series out. Computes alone: no store, no clock."""

from server.inspection.findings import door_findings
from server.inspection.line import drawn_line
from server.inspection.moisture import moisture_of
from server.inspection.seen import Seen
from server.inspection.series import made_series, trended_gauges
from server.inspection.trending import looked
from server.inspection.values import DoorInputs, Inspection

JUDGED = ("droop", "gauge:", "turn:", "opening:")


def look(inputs: DoorInputs, *, judged_alone: bool = False) -> Inspection:
    """What a door's days say. `judged_alone`: leave out the series on which no finding rests.

    A refusal of any series is in the answer, with what was measured of it; no readings at all give none.
    """
    gauges = tuple(name for name in trended_gauges(inputs.door.built) if name in inputs.gauges)
    if not gauges or inputs.day.size == 0:
        return Inspection(findings=door_findings(Seen(inputs=inputs, looks={})))
    line = drawn_line(inputs, gauges)
    moisture = moisture_of(inputs, line)
    made = made_series(inputs, line, moisture)
    if judged_alone:
        made = tuple(one for one in made if one.key.startswith(JUDGED))
    looks = {one.key: looked(inputs, line, one, moisture) for one in made}
    seen = Seen(inputs=inputs, line=line, moisture=moisture, made=made, looks=looks)
    return Inspection(findings=door_findings(seen), series=tuple(looks.values()))
