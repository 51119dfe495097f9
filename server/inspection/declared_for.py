"""Which sealed trial, if any, was declared of two doors and of what is compared of them."""

from sqlalchemy.orm import Session

from server.doors.register import DoorHung
from server.inspection.comparing import DROOP
from server.trials.declared import Declared, Side
from server.trials.store import Trial, list_trials


def trial_of(session: Session, doors: tuple[DoorHung, DoorHung], name: str) -> Trial | None:
    """The newest trial that stands whose one pair is these doors, and whose quantity is this; else None.

    `name`: a joint's, or `droop`. Raises SealBrokenError where any record does not read as its seal says.
    """
    found = [one for one in list_trials(session) if one.stands and _is_of(one.declared, doors, name)]
    return found[-1] if found else None


def _is_of(declared: Declared, doors: tuple[DoorHung, DoorHung], name: str) -> bool:
    if declared.design != "pairs" or declared.size != 1:
        return False
    if (declared.quantity == "droop") != (name == DROOP):
        return False
    a, b = declared.a[0], declared.b[0]
    if name != DROOP and not (name in a.joints and name in b.joints):
        return False
    return any(_names(a, one) and _names(b, other) for one, other in (doors, doors[::-1]))


def _names(side: Side, door: DoorHung) -> bool:
    return side.door in (door.name, door.ref)
