"""Days that are known of the doors, from their last looks and the ledger: checks, hung line, what is left."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from server.alerts import words
from server.alerts.delivery.ical import Day
from server.alerts.limits import limits_of
from server.alerts.verdicts import Limits
from server.alerts.views import AlertView, history, standing
from server.doors.register import DoorHung, list_doors
from server.inspection.results import findings_of, last_look, last_slot, scope_of
from server.inspection.values import Finding

# A step of what is told once: what its day is called, and the word by which it goes for good.
NEWS = {
    "line_soon": ("hung line is drawn", "hung-line"),
    "line_fixed": ("hung line drawn", "hung-line"),
    "first_word": ("first word", "first-word"),
}
CHECK = "check_due"
DUE_THEN = "A check of its gauges falls due on this day."


def days_of(
    session: Session, *, base_url: str, today: date, doors: frozenset[int] | None = None
) -> list[Day]:
    """The days of some doors (None: all, and of what is left of the house) that the server knows."""
    mine = [one for one in standing(session) if doors is None or one.door_id in doors]
    hung = [one for one in list_doors(session) if doors is None or one.id in doors]
    looks = [day for door in hung for day in _of_look(session, door, mine, base_url)]
    return [*looks, *_left(session, mine, base_url=base_url, today=today)]


def door_day(  # noqa: PLR0913  (one value each; none of them has a default)
    door: DoorHung,
    cause: str,
    day: date,
    *,
    said: str,
    lines: Sequence[str],
    base_url: str,
    revised: datetime,
) -> Day:
    """A day of a door, on its page."""
    return Day(
        cause=f"doors/{door.ref}/{cause}",
        day=day,
        summary=f"{door.shown}: {said}",
        lines=lines,
        link=f"{base_url}/doors/{door.ref}",
        revised=revised,
    )


def check_day(evidence: Mapping[str, object], limits: Limits) -> date | None:
    """The day on which a check of a door falls due; None where none is known.

    A check that is not the yearly one counts for a year in the rule: it is not said under a longer limit.
    """
    checked, other = _day(evidence.get("checked_on")), _day(evidence.get("other_due_on"))
    days = [] if checked is None else [checked + timedelta(days=limits.check_days)]
    if other is not None and limits.check_days <= Limits().check_days:
        days.append(other)
    return min(days, default=None)


def _of_look(session: Session, door: DoorHung, mine: Sequence[AlertView], base_url: str) -> list[Day]:
    scope = scope_of(door.id)
    slot, look = last_slot(session, scope), last_look(session, door.id)
    if slot is None or look is None:
        return []
    found = []
    for one in findings_of(session, scope, slot):
        if one.topic == "news":
            found += _news(door, one, base_url, look.looked)
        if one.topic == "check" and one.unjudged is None:
            day = check_day(one.evidence, limits_of(session, door.id, slot))
            said = [alert.say for alert in mine if alert.door_id == door.id and alert.step == CHECK]
            found += _check(door, day, said, base_url, look.looked)
    return found


def _news(door: DoorHung, one: Finding, base_url: str, looked: datetime) -> list[Day]:
    step, _, when = one.about.partition("/")[2].partition("@")
    day = _day(when)
    if step not in NEWS or day is None:
        return []
    said, cause = NEWS[step]
    lines = [words.say(step, {**one.evidence, "about": one.about}), words.to_do(step, rated="none")]
    return [door_day(door, cause, day, said=said, lines=lines, base_url=base_url, revised=looked)]


def _check(
    door: DoorHung, day: date | None, said: Sequence[str], base_url: str, looked: datetime
) -> list[Day]:
    if day is None:
        return []
    lines = [*(said or [DUE_THEN]), words.to_do(CHECK, rated=door.built.rated)]
    return [door_day(door, "check", day, said="check due", lines=lines, base_url=base_url, revised=looked)]


def _left(session: Session, mine: Iterable[AlertView], *, base_url: str, today: date) -> list[Day]:
    """What a person leaves alone until a day that is not past; it is said again on that day."""
    left = {one.id: (one, day) for one in mine if (day := _day(one.left_until)) and day >= today}
    happened = history(session, list(left))
    return [
        Day(
            cause=f"alerts/{number}/left",
            day=day,
            summary=f"{one.title} (left alone until this day)",
            lines=[one.say, one.do],
            link=f"{base_url}/alerts#alert-{number}",
            revised=max((event.at for event in happened[number] if event.kind == "left"), default=one.since),
        )
        for number, (one, day) in left.items()
    ]


def _day(value: object) -> date | None:
    try:
        return date.fromisoformat(value) if isinstance(value, str) else None
    except ValueError:
        return None
