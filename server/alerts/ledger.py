"""The ledger: looks taken in, what stands, and what people do about it."""

from dataclasses import dataclass
from datetime import UTC, date, datetime

from sqlalchemy.orm import Session

from server.alerts import kept, rules, words
from server.alerts.kept import Cause, Told, write
from server.alerts.recording import BOX_TOPICS, DOOR_TOPICS, HOUSE_TOPICS, Night, record, record_house
from server.alerts.refusals import LeaveTooLongError
from server.alerts.rules import Change
from server.alerts.tables import AlertRow
from server.alerts.views import (
    STATES,
    AlertView,
    DoorState,
    Happened,
    carries_of,
    closed,
    door_state,
    events_of,
    find,
    history,
    quiet_state,
    row_of,
    standing,
    weight_of,
)
from server.doors.marks import add_mark
from server.errors import AlertClosedError, WordsNeededError

__all__ = [
    "BOX_TOPICS",
    "DOOR_TOPICS",
    "HOUSE_TOPICS",
    "STATES",
    "AlertView",
    "Close",
    "DoorState",
    "Happened",
    "Leave",
    "Night",
    "Retire",
    "Seen",
    "act",
    "closed",
    "door_state",
    "find",
    "history",
    "quiet_state",
    "record",
    "record_house",
    "standing",
]

MOST_NOTED = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A person has seen it: stops repeats, closes nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Leave:
    """A person leaves it alone until a day; it is then said as still standing."""

    until: date


@dataclass(frozen=True, slots=True, kw_only=True)
class Close:
    """A person closes it and says how it ended."""

    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Retire:
    """What it was about is no more: a gauge taken off, a box given up. Nothing is known of it any longer."""


def act(
    session: Session, alert_id: int, act: Seen | Leave | Close | Retire, *, by: str, at: datetime
) -> None:
    """What a person did about an alert.

    Raises UnknownAlertError, AlertClosedError for one that has ended, LeaveTooLongError for a day that is
    past or too far, WordsNeededError without words.
    """
    row = row_of(session, alert_id)
    if row.ended is not None:
        raise AlertClosedError(
            f"act on alert {alert_id}", "an alert that stands", f"one that ended on {row.ended}"
        )
    if isinstance(act, Seen):
        if row.seen is None:
            row.seen = at
            write(session, row, Change(kind="seen", step=row.step), _said(at, by))
    elif isinstance(act, Leave):
        _leave(session, row, act.until, by=by, at=at)
    else:
        _end(session, row, act, by=by, at=at)
    session.flush()


def _leave(session: Session, row: AlertRow, until: date, *, by: str, at: datetime) -> None:
    today = at.astimezone(UTC).date()
    most = rules.most_left(weight_of(row.step, carries_of(events_of(session, row))))
    nights = (until - today).days
    if not 0 < nights <= most:
        came = f"{until}, which has passed" if nights <= 0 else f"{until}, {nights} days ahead"
        raise LeaveTooLongError(f"leave alert {row.id}", f"a day within the next {most} days", came)
    row.left_until = until.isoformat()
    write(session, row, Change(kind="left", step=row.step, detail=until.isoformat()), _said(at, by))


def _end(session: Session, row: AlertRow, act: Close | Retire, *, by: str, at: datetime) -> None:
    said = act.words if isinstance(act, Close) else None
    if said is not None and not rules.are_words(said):
        raise WordsNeededError(
            f"close alert {row.id}", "how it ended, in three letters or more", f"{said!r:.40}"
        )
    cause = Cause(site_id=row.site_id, topic=row.topic, about=row.about)
    night = at.astimezone(UTC).date().isoformat()
    if said is not None:
        _log(session, row, said, by=by, at=at)
    row.ended, row.how = night, "retired" if said is None else "person"
    write(session, row, Change(kind="ended", step=row.step, detail=row.how), _said(at, by, said))
    if said is None:
        kept.forget(session, cause)
    elif (last := kept.newest_of(session, cause)) is not None:
        closed_now = rules.closed_by_person(last[1], step=row.step, night=night)
        kept.rewrite(session, cause, last[0], closed_now)


def _log(session: Session, row: AlertRow, said: str, *, by: str, at: datetime) -> None:
    """A line in the door's log of marks: what was closed, and in which words. Raises SettingsError."""
    if row.door_id is None:
        return
    inside = row.about.partition("@")[0].partition("/")[2]
    place = f", {words.place(inside)}" if inside else ""
    text = f"Closed: {words.word(row.step)}{place}. {said}"
    add_mark(
        session, row.door_id, t_ms=round(at.timestamp() * 1000), kind="note", text=text[:MOST_NOTED], by=by
    )


def _said(at: datetime, by: str, said: str | None = None) -> Told:
    return Told(at=at, slot=at.astimezone(UTC).date().isoformat(), evidence={}, by=by, said=said)
