"""A run's way over a door's nights: its days read once, and which past nights rest on days that changed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from sqlalchemy import Engine

from server.database import Session, session_of
from server.doors.register import DoorHung
from server.inspection import findings, late, lines, reading, results, watch_kept
from server.inspection.values import DoorInputs
from server.inspection.watching import Air, SeriesWatch

DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """A night to be looked at; `at` is its moment, `past` that a later one of the same run says it."""

    slot: str
    at: datetime
    past: bool = False
    anew: bool = False


@dataclass(slots=True)
class Days:
    """A door's days up to the last of a run's nights, with the lines fixed by then.

    `anew`: nights before the run's own that are looked at anew, for days from `changed_day` on changed since.
    `stale_day`: the first day after which nights stay that are not looked at with these days. Since hanging.
    """

    inputs: DoorInputs
    air: Air
    anew: Sequence[Due] = ()
    changed_day: int | None = None
    stale_day: int | None = None


@dataclass(slots=True)
class Walk:
    """What a run knows of the doors from one night to the next.

    `nights`: each door's, oldest first; `days`: read once, up to the last of them; `watches`: as the newest
    night of this run left them. Both are let go with the last night. `most_anew`: how many nights before its
    own it looks at anew.
    """

    now: datetime
    nights: Mapping[int, Sequence[Due]]
    most_anew: int = 0
    watches: dict[int, Mapping[str, SeriesWatch]] = field(default_factory=dict)
    days: dict[int, Days] = field(default_factory=dict)


def door_days(engine: Engine, door: DoorHung, walk: Walk) -> Days:
    """A door's days up to its last night, and which of its past nights rest on what changed since."""
    if door.id not in walk.days:
        end_day = day_of(walk.nights[door.id][-1])
        with session_of(engine) as session:
            results.hold(session, results.scope_of(door.id))
            inputs = lines.fixed(session, reading.gather(session, door, end_day), now=walk.now)
            if door.id not in walk.watches:
                walk.watches[door.id] = watch_kept.watches_of(session, door.id)
            walk.days[door.id] = _compared(session, door, inputs, walk)
    return walk.days[door.id]


def day_of(due: Due) -> int:
    """The first day that had not ended at a night's moment."""
    return int(due.at.timestamp() * 1000) // DAY_MS


def nights_on(session: Session, door: DoorHung, day: int, *, before: str | None = None) -> list[Due]:
    """The nights before a slot (None: all) that rest on a day, which counts from hanging; oldest first."""
    since_ms = int(door.hung.timestamp() * 1000) // DAY_MS * DAY_MS + (day + 1) * DAY_MS
    return [
        Due(slot=slot, at=datetime.fromtimestamp(until_ms / 1000, UTC), past=True, anew=True)
        for slot, until_ms in results.nights_since(session, results.scope_of(door.id), since_ms)
        if before is None or slot < before
    ]


def first_of(*days: int | None) -> int | None:
    """The earliest of these days; None where there is none."""
    return min((day for day in days if day is not None), default=None)


def _compared(session: Session, door: DoorHung, inputs: DoorInputs, walk: Walk) -> Days:
    """The days beside those that the looks had. While older readings come in, nothing is looked at anew."""
    kept, first = late.looked_of(session, door.id), walk.nights[door.id][0].slot
    until_ms = results.last_until_ms(session, results.scope_of(door.id))
    if kept is None or until_ms is None:
        return Days(inputs=inputs, air=Air(inputs))
    if findings.waiting(door) >= findings.BACK_FILL:
        return Days(inputs=inputs, air=Air(inputs), stale_day=kept.stale_day)
    changed = late.first_changed(kept.values, inputs, until_ms // DAY_MS - inputs.hung_day)
    past = [] if changed is None else nights_on(session, door, changed, before=first)
    left = max(len(past) - walk.most_anew, 0)
    stale = first_of(kept.stale_day, changed if left else None)
    if stale is not None and not nights_on(session, door, stale, before=first):
        stale = None
    return Days(inputs=inputs, air=Air(inputs), anew=past[left:], changed_day=changed, stale_day=stale)
