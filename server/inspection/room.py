"""How much room a leaf has in its opening now, as its gauges have it."""

from datetime import datetime

import numpy as np
from sqlalchemy.orm import Session

from server.doors.margins import Margin, margin_now
from server.doors.register import DoorHung
from server.inspection.line import drawn_line
from server.inspection.moisture import moisture_of
from server.inspection.reading import gather
from server.inspection.spans import trended_gauges
from server.inspection.values import DoorInputs

RECENT_DAYS = 7
DAY_S = 86_400


def room_of(session: Session, hung: DoorHung, *, now: datetime) -> Margin | None:
    """The least gap round the leaf over the week before `now`; None where it is not known."""
    return room_in(gather(session, hung, int(now.timestamp()) // DAY_S + 1))


def room_in(inputs: DoorInputs) -> Margin | None:
    """The same, of days at hand. Counted from the line of the door as it stands now."""
    built = inputs.door.built
    gauges = tuple(name for name in trended_gauges(built) if name in inputs.gauges)
    if not gauges or inputs.day.size == 0:
        return None
    line = drawn_line(inputs, gauges).now
    change_mm = {}
    for name in gauges:
        recent = inputs.gauges[name].median[-RECENT_DAYS:]
        if name in line.zero_mm and np.isfinite(recent).any():
            change_mm[name] = float(np.nanmedian(recent)) - line.zero_mm[name]
    moisture = moisture_of(inputs, line)
    damper = None if moisture is None else float(moisture.change_pct[-1])
    known = damper if damper is not None and np.isfinite(damper) else None
    return margin_now(built, change_mm, moisture_change_pct=known)
