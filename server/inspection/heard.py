"""Whether a box is heard, and what it last said of itself."""

import json
from collections.abc import Iterable

from server.doors.register import DoorHung
from server.inspection.values import Finding

HOUR_MS = 3_600_000
# A box that sleeps may be late by half of its own interval and one more: the wire's rule.
OVERDUE_INTERVALS = 2.5
# Two days of a box that samples each ten minutes: fewer are on their way at any time.
BACK_FILL = 300
COMING_IN = "older readings are still coming in"
NEVER_HEARD = "has not been heard yet"
HEARD_SINCE = "heard since that night"


def silence(doors: Iterable[DoorHung], *, at_ms: int) -> tuple[Finding, ...]:
    """Of each box that watches a door, whether it is overdue at that time."""
    boxes = {door.built.node: door for door in doors}
    return tuple(_heard(name, door, at_ms) for name, door in boxes.items())


def waiting(door: DoorHung) -> int:
    """How many instants its box said it has that are not stored yet."""
    pending = status_of(door).get("pend")
    return pending if isinstance(pending, int) else 0


def status_of(door: DoorHung) -> dict[str, object]:
    """What the box of a door last said of itself; empty where that is not known."""
    try:
        told = json.loads(door.node_status or "null")
    except ValueError:
        return {}
    return told if isinstance(told, dict) else {}


def _heard(box: str, door: DoorHung, at_ms: int) -> Finding:
    last = door.node_last_heard_ms
    if last is None:
        return Finding(topic="heard", about=box, evidence={}, unjudged=NEVER_HEARD)
    if last > at_ms:
        return Finding(topic="heard", about=box, evidence={"last_heard_ms": last}, unjudged=HEARD_SINCE)
    silent_ms = at_ms - last
    overdue = silent_ms > OVERDUE_INTERVALS * 1000 * _interval_s(door)
    evidence = {"overdue": overdue, "silent_h": silent_ms / HOUR_MS, "last_heard_ms": last}
    return Finding(topic="heard", about=box, evidence=evidence)


def _interval_s(door: DoorHung) -> float:
    """How often the box is to be heard: what it said when it went to sleep, else its upload interval."""
    told = status_of(door)
    next_s = told.get("next_s") if told.get("st") == "asleep" else None
    return float(next_s) if isinstance(next_s, int | float) and next_s > 0 else float(door.upload_s)
