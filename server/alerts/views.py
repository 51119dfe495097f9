"""Alerts for people: what stands or stood, in words, and a door's one state."""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.alerts import rules, words
from server.alerts.tables import AlertEventRow, AlertRow
from server.doors.register import DoorHung, list_doors
from server.errors import UnknownAlertError
from server.inspection.results import SeriesResult, results_of

STATES = {
    "node_silent": "not_heard",
    "joint_open": "open",
    "joint_opening": "opening",
    "leaf_set": "taking_a_set",
    "leaf_over": "taking_a_set",
}
PRESSING = ("node_silent", "joint_open", "joint_opening", "leaf_set", "leaf_over")
WEIGHTS = {"today": 0, "soon": 1, "note": 2}
GRAINS = 4.0  # a swing is more than the gauges' grain from so many standard deviations of one day's value
SAYING = ("raised", "rose", "eased", "back")


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertView:
    """An alert for people: what stands or stood, since when, what it says and what to do.

    `held`: why and since when it is held back. `carries`: what it hides, being a gauge in doubt.
    """

    id: int
    topic: str
    about: str
    door_id: int | None
    door_shown: str | None
    step: str
    word: str
    weight: str
    title: str
    say: str
    do: str
    since: datetime
    seen: datetime | None
    ended: datetime | None
    how: str | None
    words: str | None
    left_until: str | None = None
    held: str | None = None
    carries: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Happened:
    """One event of an alert: its night and moment, its kind and word, what is told of it, who did it."""

    slot: str
    at: datetime
    kind: str
    word: str
    detail: str
    say: str
    words: str | None
    by: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DoorState:
    """A door's one state: open, opening, taking_a_set, not_heard, settling, seasonal or true."""

    key: str
    since: datetime | None


def standing(session: Session) -> list[AlertView]:
    """Every alert that stands, most pressing first, then oldest."""
    rows = session.scalars(
        select(AlertRow).where(AlertRow.ended.is_(None)).order_by(AlertRow.raised, AlertRow.id)
    ).all()
    views = _views(session, rows)
    return sorted(views, key=lambda view: (WEIGHTS.get(view.weight, 9), view.since, view.id))


def closed(session: Session, limit: int) -> list[AlertView]:
    """The last alerts that ended, newest first."""
    query = (
        select(AlertRow)
        .where(AlertRow.ended.is_not(None))
        .order_by(AlertRow.ended.desc(), AlertRow.id.desc())
    )
    return _views(session, session.scalars(query.limit(limit)).all())


def find(session: Session, alert_id: int) -> AlertView:
    """One alert. Raises UnknownAlertError."""
    return _views(session, [row_of(session, alert_id)])[0]


def history(session: Session, alert_ids: Sequence[int]) -> dict[int, list[Happened]]:
    """What happened to alerts, in order."""
    doors = {door.id: door for door in list_doors(session)}
    rows = session.scalars(select(AlertRow).where(AlertRow.id.in_(list(alert_ids)))).all()
    zones = {row.id: doors[row.door_id].zone if row.door_id in doors else "UTC" for row in rows}
    return {row.id: [_happened(event, zones[row.id]) for event in events_of(session, row)] for row in rows}


def row_of(session: Session, alert_id: int) -> AlertRow:
    """The row of an alert. Raises UnknownAlertError."""
    row = session.get(AlertRow, alert_id)
    if row is None:
        raise UnknownAlertError(
            f"find alert {alert_id}", "the number of an alert (hangtrue alert list)", str(alert_id)
        )
    return row


def weight_of(step: str, carries: Iterable[str]) -> str:
    """The weight of an alert; one that hides another has the heavier weight of the two."""
    hidden = [detail.partition(" ")[0] for detail in carries]
    weights = [rules.STEPS[code].weight for code in (step, *hidden) if code in rules.STEPS]
    return min(weights, key=WEIGHTS.__getitem__)


def carries_of(events: Iterable[AlertEventRow]) -> tuple[str, ...]:
    """What an alert hides, by its events since it was last raised: each cause with the step said last."""
    told: dict[str, str] = {}
    for event in events:
        if event.kind in ("raised", "back"):
            told = {}
        if event.kind == "carries":
            told[event.detail.partition(" ")[2]] = event.detail
    return tuple(told.values())


def events_of(session: Session, row: AlertRow) -> Sequence[AlertEventRow]:
    """What happened to an alert, in order."""
    query = select(AlertEventRow).where(AlertEventRow.alert_id == row.id).order_by(AlertEventRow.id)
    return session.scalars(query).all()


def door_state(session: Session, door_id: int) -> DoorState:
    """A door's state: the most pressing step that stands on it; else what its last look says."""
    door = next((one for one in list_doors(session) if one.id == door_id), None)
    if door is None:
        return DoorState(key="settling", since=None)
    of_door = AlertRow.door_id == door_id
    of_box = (AlertRow.topic == "heard") & (AlertRow.about == door.built.node)
    rows = session.scalars(select(AlertRow).where(AlertRow.ended.is_(None), of_door | of_box)).all()
    for step in PRESSING:
        since = [row.raised for row in rows if row.step == step]
        if since:
            return DoorState(key=STATES[step], since=day_of(min(since)))
    return DoorState(key=quiet_state(results_of(session, door_id, with_parts=lambda _: False)), since=None)


def quiet_state(results: Mapping[str, SeriesResult]) -> str:
    """The state of a door on which nothing stands: settling, seasonal or true.

    One whose droop grows, told apart from none, is taking a set also when a person closed its alert.
    """
    told = {key: one for key, one in results.items() if one.facts.get("told") != "not_told"}
    main = [one for key, one in told.items() if key == "droop" or key.startswith("gauge:")]
    shown = [*main, *(one for key, one in told.items() if key.startswith(("turn:", "opening:")))]
    if not shown or any(one.status == "refused" for one in main or shown):
        return "settling"
    if any(one.low is not None and one.low > 0 for one in main):
        return "taking_a_set"
    return "seasonal" if any(_swings(one) for one in shown) else "true"


def day_of(night: str) -> datetime:
    """The noon of a night's date."""
    return datetime.combine(date.fromisoformat(night[:10]), time(12), UTC)


def _swings(one: SeriesResult) -> bool:
    swing, grain = one.facts.get("swing_year"), one.facts.get("sd_day")
    return isinstance(swing, float) and isinstance(grain, float) and swing > GRAINS * grain


def _views(session: Session, rows: Iterable[AlertRow]) -> list[AlertView]:
    doors = {door.id: door for door in list_doors(session)}
    return [_view(session, row, None if row.door_id is None else doors.get(row.door_id)) for row in rows]


def _view(session: Session, row: AlertRow, door: DoorHung | None) -> AlertView:
    events = events_of(session, row)
    told = [event for event in events if event.kind in SAYING]
    ended = next((event for event in reversed(events) if event.kind == "ended"), None) if row.ended else None
    evidence = json.loads(told[-1].evidence) if told else {}
    carries = () if row.ended else carries_of(events)
    shown = None if door is None else door.shown
    said = words.say(row.step, evidence, zone="UTC" if door is None else door.zone)
    return AlertView(
        id=row.id,
        topic=row.topic,
        about=row.about,
        door_id=row.door_id,
        door_shown=shown,
        step=row.step,
        word=words.word(row.step),
        weight=weight_of(row.step, carries),
        title=words.title(row.step, about=row.about, shown=shown),
        say=" ".join(part for part in (said, words.carrying(carries)) if part),
        do=words.to_do(row.step, rated="none" if door is None else door.built.rated, evidence=evidence),
        since=day_of(row.raised),
        seen=row.seen,
        ended=None if row.ended is None else (ended.at if ended else day_of(row.ended)),
        how=row.how,
        words=None if ended is None else ended.words,
        left_until=row.left_until,
        held=None if row.ended else _held(events),
        carries=carries,
    )


def _happened(event: AlertEventRow, zone: str) -> Happened:
    evidence = json.loads(event.evidence) if event.kind in SAYING else {}
    detail = words.carrying([event.detail]) if event.kind == "carries" else event.detail
    return Happened(
        slot=event.slot,
        at=event.at,
        kind=event.kind,
        word=words.word(event.step),
        detail=detail,
        say=words.say(event.step, evidence, zone=zone) if evidence else "",
        words=event.words,
        by=event.by,
    )


def _held(events: Sequence[AlertEventRow]) -> str | None:
    """Why and since when an alert is held back; None while it is not."""
    kinds = ("raised", "back", "frozen", "thawed")
    last = next((event for event in reversed(events) if event.kind in kinds), None)
    if last is None or last.kind != "frozen":
        return None
    since = day_of(last.slot)
    return f"held back: {last.detail} since {since.day} {since:%B %Y}"
