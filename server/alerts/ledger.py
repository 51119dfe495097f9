"""The ledger: conditions folded from night to night, alerts as they stand, and every event, once."""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time

from sqlalchemy import Select, column, select, table
from sqlalchemy.orm import Session

from server.alerts import rules, words
from server.alerts.kept import Cause, Told, condition_of, conditions_of, is_frozen, keep, write, written
from server.alerts.rules import AlertNow, Change, Condition, Limits
from server.alerts.tables import AlertEventRow, AlertRow, ConditionRow
from server.doors.register import DoorHung, list_doors
from server.errors import AlertClosedError, UnknownAlertError, WordsNeededError
from server.inspection.results import SeriesResult, results_of
from server.inspection.values import Finding, Inspection

SITE = table("site", column("id"), column("name"), column("zone"))
PRESSING = ("node_silent", "joint_open", "joint_opening", "leaf_set", "leaf_over")
STATES = {
    "node_silent": "not_heard",
    "joint_open": "open",
    "joint_opening": "opening",
    "leaf_set": "taking_a_set",
    "leaf_over": "taking_a_set",
}
WEIGHTS = {"today": 0, "soon": 1, "note": 2}
GRAINS = 4.0  # a swing is more than the gauges' grain from so many standard deviations of one day's value


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertView:
    """An alert for people: what stands or stood, since when, what it says and what to do."""

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


@dataclass(frozen=True, slots=True, kw_only=True)
class DoorState:
    """A door's one state: open, opening, taking_a_set, not_heard, settling, seasonal or true."""

    key: str
    since: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A person has seen it: stops repeats, closes nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Close:
    """A person closes it and says how it ended."""

    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """Which night is recorded, and when. `past`: folded alone, a later night of the run says it.

    `anew`: the nights before it were looked at again in this run.
    """

    slot: str
    at: datetime
    past: bool = False
    anew: bool = False


def record(
    session: Session, inspection: Inspection, *, door: DoorHung, night: Night, limits: Limits | None = None
) -> None:
    """Take a look at a door into the ledger, in the transaction of the look itself.

    A night recorded twice changes nothing; one before the newest recorded of a cause changes nothing either
    unless it is taken `past`. What rests on a box that is not heard is frozen.
    """
    site_id = _site_id(session, door.site)
    silent = {
        row.about
        for row in session.scalars(
            _open(site_id).where(AlertRow.topic == "heard", AlertRow.step == "node_silent")
        )
    }
    found = {(one.topic, one.about): _held_back(one, silent) for one in inspection.findings}
    known = {
        (topic, about)
        for topic, about in _known(session, site_id, ("joint", "leaf"))
        if about == door.name or about.startswith(f"{door.name}/")
    }
    for topic, about in sorted(known | set(found)):
        cause = Cause(site_id=site_id, topic=topic, about=about, door_id=door.id)
        _fold(session, cause, found.get((topic, about)), night, limits or Limits())


def record_house(
    session: Session,
    inspection: Inspection,
    *,
    site: str,
    doors: Iterable[DoorHung],
    night: Night,
    limits: Limits | None = None,
) -> None:
    """Take a look at a site's boxes into the ledger; an alert of a box goes with the first of its doors."""
    site_id = _site_id(session, site)
    first = {door.built.node: door.id for door in reversed(list(doors))}
    found = {(one.topic, one.about): one for one in inspection.findings}
    for topic, about in sorted(_known(session, site_id, ("heard",)) | set(found)):
        cause = Cause(site_id=site_id, topic=topic, about=about, door_id=first.get(about))
        _fold(session, cause, found.get((topic, about)), night, limits or Limits())


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
    return _views(session, [_row(session, alert_id)])[0]


def act(session: Session, alert_id: int, act: Seen | Close, *, by: str, at: datetime) -> None:
    """What a person did about an alert.

    Raises UnknownAlertError, AlertClosedError for one that has ended, WordsNeededError without words.
    """
    row = _row(session, alert_id)
    if row.ended is not None:
        raise AlertClosedError(
            f"act on alert {alert_id}", "an alert that stands", f"one that ended on {row.ended}"
        )
    if isinstance(act, Seen):
        if row.seen is None:
            row.seen = at
            write(session, row, Change(kind="seen", step=row.step), _said(at, by))
        return
    if not rules.are_words(act.words):
        raise WordsNeededError(
            f"close alert {alert_id}", "how it ended, in three letters or more", f"{act.words!r:.40}"
        )
    night = at.astimezone(UTC).date().isoformat()
    row.ended, row.how = night, "person"
    write(session, row, Change(kind="ended", step=row.step, detail="person"), _said(at, by, act.words))
    last = conditions_of(
        session, Cause(site_id=row.site_id, topic=row.topic, about=row.about, door_id=row.door_id)
    )
    if last:
        last[-1].counts = written(rules.closed_by_person(condition_of(last[-1]), step=row.step, night=night))
    session.flush()


def door_state(session: Session, door_id: int) -> DoorState:
    """A door's state: the most pressing step that stands on it; else what its last look says."""
    door = next((one for one in list_doors(session) if one.id == door_id), None)
    if door is None:
        return DoorState(key="settling", since=None)
    rows = session.scalars(_open(_site_id(session, door.site))).all()
    own = [
        row
        for row in rows
        if row.door_id == door_id or (row.topic == "heard" and row.about == door.built.node)
    ]
    for step in PRESSING:
        since = [row.raised for row in own if row.step == step]
        if since:
            return DoorState(key=STATES[step], since=_day(min(since)))
    return DoorState(key=quiet_state(results_of(session, door_id)), since=None)


def quiet_state(results: Mapping[str, SeriesResult]) -> str:
    """The state of a door on which nothing stands: settling, seasonal or true."""
    main = [one for key, one in results.items() if key == "droop" or key.startswith("gauge:")]
    shown = [*main, *(one for key, one in results.items() if key.startswith(("turn:", "opening:")))]
    if not shown or any(one.status == "refused" for one in main or shown):
        return "settling"
    return "seasonal" if any(_swings(one) for one in shown) else "true"


def _swings(one: SeriesResult) -> bool:
    swing, grain = one.facts.get("swing_year"), one.facts.get("sd_day")
    return isinstance(swing, float) and isinstance(grain, float) and swing > GRAINS * grain


def _site_id(session: Session, site: str) -> int:
    return int(session.execute(select(SITE.c.id).where(SITE.c.name == site)).scalar_one())


def _open(site_id: int) -> Select[AlertRow]:
    return select(AlertRow).where(AlertRow.site_id == site_id, AlertRow.ended.is_(None))


def _held_back(finding: Finding, silent: set[str]) -> Finding:
    """A finding that rests on a box that is not heard is not judged."""
    if not {name.partition("/")[0] for name in finding.rests_on} & silent:
        return finding
    return replace(finding, unjudged=rules.NOT_HEARD)


def _known(session: Session, site_id: int, topics: tuple[str, ...]) -> set[tuple[str, str]]:
    query = select(ConditionRow.topic, ConditionRow.about).where(ConditionRow.site_id == site_id)
    return {
        (topic, about)
        for topic, about in session.execute(query.where(ConditionRow.topic.in_(topics)).distinct())
    }


def _fold(session: Session, cause: Cause, finding: Finding | None, night: Night, limits: Limits) -> None:
    rows = conditions_of(session, cause)
    if not night.past and any(row.slot > night.slot for row in rows):
        return
    before = [condition_of(row) for row in rows if row.slot < night.slot]
    kept = next((row for row in rows if row.slot == night.slot), None)
    after = rules.fold(
        before[-1] if before else Condition(), finding, topic=cause.topic, night=night.slot, limits=limits
    )
    if kept is not None and after.standing is not None and after.closed is None:
        after = replace(after, closed=condition_of(kept).closed)
    keep(session, cause, kept, after, night.slot)
    if not night.past:
        _change(session, cause, after, {} if finding is None else finding.evidence, night)


def _change(
    session: Session, cause: Cause, now: Condition, evidence: Mapping[str, object], night: Night
) -> None:
    query = select(AlertRow).where(
        AlertRow.site_id == cause.site_id, AlertRow.topic == cause.topic, AlertRow.about == cause.about
    )
    row = session.scalar(query.order_by(AlertRow.id.desc()).limit(1))
    alert = None
    if row is not None:
        alert = AlertNow(step=row.step, frozen=is_frozen(session, row), ended=row.ended, how=row.how)
    for change in rules.changes(alert, now, night=night.slot, was_past=night.anew):
        if change.kind == "raised":
            since = now.counts[change.step].since or night.slot
            row = _raise(session, cause, change, since)
        if row is not None:
            _apply(row, change, night.slot)
            write(session, row, change, Told(at=night.at, slot=night.slot, evidence=evidence))


def _raise(session: Session, cause: Cause, change: Change, since: str) -> AlertRow:
    row = AlertRow(
        site_id=cause.site_id,
        topic=cause.topic,
        about=cause.about,
        door_id=cause.door_id,
        raised=since,
        step=change.step,
        worst=change.step,
    )
    session.add(row)
    session.flush()
    return row


def _apply(row: AlertRow, change: Change, slot: str) -> None:
    row.step = change.step
    if rules.STEPS[change.step].rank > rules.STEPS[row.worst].rank:
        row.worst = change.step
    if change.kind in ("rose", "back"):
        row.seen = row.left_until = None
    if change.kind == "back":
        row.ended = row.how = None
    if change.kind == "ended":
        row.ended, row.how = slot, change.detail


def _said(at: datetime, by: str, said: str | None = None) -> Told:
    return Told(at=at, slot=at.astimezone(UTC).date().isoformat(), evidence={}, by=by, said=said)


def _row(session: Session, alert_id: int) -> AlertRow:
    row = session.get(AlertRow, alert_id)
    if row is None:
        raise UnknownAlertError(
            f"find alert {alert_id}", "the number of an alert (hangtrue alert list)", str(alert_id)
        )
    return row


def _views(session: Session, rows: Iterable[AlertRow]) -> list[AlertView]:
    doors = {door.id: door for door in list_doors(session)}
    return [_view(session, row, None if row.door_id is None else doors.get(row.door_id)) for row in rows]


def _view(session: Session, row: AlertRow, door: DoorHung | None) -> AlertView:
    events = session.scalars(
        select(AlertEventRow).where(AlertEventRow.alert_id == row.id).order_by(AlertEventRow.id)
    ).all()
    told = [event for event in events if event.kind in ("raised", "rose", "eased", "back")]
    ended = next((event for event in reversed(events) if event.kind == "ended"), None) if row.ended else None
    shown = None if door is None else door.shown
    rated = "none" if door is None else door.built.rated
    zone = "UTC" if door is None else door.zone
    return AlertView(
        id=row.id,
        topic=row.topic,
        about=row.about,
        door_id=row.door_id,
        door_shown=shown,
        step=row.step,
        word=words.word(row.step),
        weight=rules.STEPS[row.step].weight,
        title=words.title(row.step, about=row.about, shown=shown),
        say=words.say(row.step, json.loads(told[-1].evidence) if told else {}, zone=zone),
        do=words.to_do(row.step, rated=rated),
        since=_day(row.raised),
        seen=row.seen,
        ended=None if row.ended is None else (ended.at if ended else _day(row.ended)),
        how=row.how,
        words=None if ended is None else ended.words,
    )


def _day(night: str) -> datetime:
    return datetime.combine(date.fromisoformat(night), time(12), UTC)
