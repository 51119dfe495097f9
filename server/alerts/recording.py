"""A look taken into the ledger: conditions folded, alerts compared, events written, in one transaction."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from sqlalchemy import column, select, table
from sqlalchemy.orm import Session

from server.alerts import kept, rules
from server.alerts.kept import Before, Cause, Told, is_frozen, write
from server.alerts.limits import limits_of
from server.alerts.marks_read import marks_before
from server.alerts.rules import AlertNow, Around, Carried, Change, Condition, Found, Key, Limits, Mark
from server.alerts.steps import HOURLY_TOPICS
from server.alerts.tables import AlertRow
from server.doors.register import DoorHung
from server.inspection.values import Finding, Inspection

SITE = table("site", column("id"), column("name"), column("zone"))
DOOR_TOPICS = ("joint", "leaf", "frame", "step", "slam", "check", "look", "test", "news")
BOX_TOPICS = ("heard", "battery", "clock", "twin", "held", "access")
HOUSE_TOPICS = (*BOX_TOPICS, "certificate", "disk", "backup", "intake", "channel")


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """Which night is recorded, and when. `past`: folded alone, a later night of the run says it.

    `failed`: the look did not end. `anew`: the nights before it were looked at again in this run; what stood
    then is asked of the ledger itself.
    """

    slot: str
    at: datetime
    past: bool = False
    anew: bool = False
    failed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scope:
    """Whose causes are folded tonight: a door's or a site's. `doors`: the door of a cause, by its box."""

    session: Session
    site_id: int
    night: Night
    limits: Limits
    door_id: int | None = None
    doors: Mapping[str, int] = field(default_factory=dict)
    marks: Sequence[Mark] = ()

    def cause(self, key: Key) -> Cause:
        door_id = self.door_id if self.door_id is not None else self.doors.get(key[1])
        return Cause(site_id=self.site_id, topic=key[0], about=key[1], door_id=door_id)


def record(
    session: Session, inspection: Inspection, *, door: DoorHung, night: Night, limits: Limits | None = None
) -> None:
    """Take a look at a door into the ledger, in the transaction of the look itself.

    A night recorded twice changes nothing; one before the newest recorded of a cause changes nothing either
    unless it is taken `past`. What rests on a box that is not heard, or on a gauge in doubt, is frozen.
    `limits` None: those set for the door on that night.
    """
    scope = _Scope(
        session=session,
        site_id=_site_id(session, door.site),
        night=night,
        limits=limits or limits_of(session, door.id, night.slot),
        door_id=door.id,
        marks=marks_before(session, door, night.slot),
    )
    known = kept.known_keys(session, scope.site_id, DOOR_TOPICS, door.name)
    known |= kept.known_keys(session, scope.site_id, ("gauge",), door.built.node)
    own = {key for key in known if _is_of(door, key)}
    findings = _with_look(inspection.findings, door, own, failed=night.failed)
    named = {name for one in findings for name in one.rests_on}
    boxes = {name.partition("/")[0] for name in named} | {door.built.node}
    elsewhere = {("gauge", name) for name in named} - own
    around = Around(
        silent=rules.silent_of(_as_of(scope, {("heard", box) for box in boxes})),
        doubted=rules.doubted_of(_as_of(scope, elsewhere)),
        limits=scope.limits,
    )
    _fold(scope, own, findings, around)


def record_house(
    session: Session,
    inspection: Inspection,
    *,
    site: str,
    doors: Iterable[DoorHung],
    night: Night,
    limits: Limits | None = None,
) -> None:
    """Take a look at a site's boxes and house into the ledger; an alert of a box goes with its first door.

    How many boxes are silent at once is found here, of all those that watch a door. A slot with an hour in it
    is a look at what is looked at each hour, and says nothing of the rest.
    """
    hung, is_hour = list(doors), "T" in night.slot
    scope = _Scope(
        session=session,
        site_id=_site_id(session, site),
        night=night,
        limits=limits or limits_of(session, None, night.slot),
        doors={door.built.node: door.id for door in reversed(hung)},
    )
    heard = [one for one in inspection.findings if one.topic == "heard"]
    known = kept.known_keys(session, scope.site_id, HOURLY_TOPICS if is_hour else HOUSE_TOPICS)
    findings = inspection.findings
    if not is_hour:  # what its hours have told of is left to them
        by_hour = kept.known_by_hour(session, scope.site_id)
        known -= by_hour
        findings = tuple(one for one in findings if (one.topic, one.about) not in by_hour)
    after = _fold(scope, known, findings, Around(limits=scope.limits))
    if heard:
        boxes = len({one.about for one in heard} | {door.built.node for door in hung})
        _fold(
            scope,
            {("site", site)},
            [rules.site_finding(site, after, boxes=boxes)],
            Around(limits=scope.limits),
        )


def _is_of(door: DoorHung, key: Key) -> bool:
    topic, about = key
    if topic == "gauge":
        box, _, channel = about.partition("/")
        return box == door.built.node and any(gauge.channel == channel for gauge in door.built.gauges)
    return about.partition("@")[0].partition("/")[0] == door.name


def _with_look(
    findings: Iterable[Finding], door: DoorHung, known: set[Key], *, failed: bool
) -> list[Finding]:
    """The findings of a look and, where it matters, that it did or did not end."""
    found = list(findings)
    if any(one.topic == "look" for one in found) or not (failed or ("look", door.name) in known):
        return found
    return [*found, Finding(topic="look", about=door.name, evidence={"failed": failed})]


def _as_of(scope: _Scope, keys: set[Key]) -> dict[Key, Condition]:
    found = kept.before_night(scope.session, scope.site_id, keys, scope.night.slot)
    known = {key: one.own or one.condition for key, one in found.items()}
    return {key: one for key, one in known.items() if one is not None}


def _fold(scope: _Scope, known: set[Key], findings: Sequence[Found], around: Around) -> dict[Key, Condition]:
    """Fold a night of the causes known and found; give what is known after it of each."""
    session, night = scope.session, scope.night
    keys = known | {(one.topic, one.about) for one in findings}
    every = kept.before_night(session, scope.site_id, keys, night.slot)
    states = {key: one for key, one in every.items() if night.past or not one.is_later}
    before = {key: one.condition or Condition() for key, one in states.items()}
    told = [one for one in findings if (one.topic, one.about) in states]
    anew = frozenset(key for key, one in states.items() if _is_marked(scope, key, one.slot))
    folded = rules.fold_night(before, told, night=night.slot, around=replace(around, anew=anew))
    # a night looked at again may have lost a finding: its row must not keep what that one said
    folded |= {key: before[key] for key, one in states.items() if one.own and key not in folded}
    hidden = list(rules.carried(folded, told, around.doubted | rules.doubted_of({**before, **folded})))
    after = {
        key: _kept_closed(one, states[key], _hidden_since(key, hidden, folded)) for key, one in folded.items()
    }
    kept.keep(session, scope.site_id, after, night.slot)
    if not night.past:
        _say(scope, after, {(one.topic, one.about): one.evidence for one in told}, hidden)
    return before | after


def _say(
    scope: _Scope,
    after: Mapping[Key, Condition],
    evidence: Mapping[Key, Mapping[str, object]],
    hidden: Iterable[Carried],
) -> None:
    """Compare every cause with its alert, and let the gauges in doubt say what they hide."""
    gauges = {("gauge", one.channel) for one in hidden}
    rows = kept.newest_alerts(scope.session, scope.site_id, {*after, *gauges})
    for key, now in after.items():
        row = _change(scope, scope.cause(key), rows.get(key), now, evidence.get(key, {}))
        if row is not None:
            rows[key] = row
    for one in hidden:
        _carry(scope, rows.get(("gauge", one.channel)), one)


def _is_marked(scope: _Scope, key: Key, last: str | None) -> bool:
    if last is None:
        return False
    return any(
        last < mark.night <= scope.night.slot and rules.counts_anew(mark, *key) for mark in scope.marks
    )


def _hidden_since(key: Key, hidden: Iterable[Carried], after: Mapping[Key, Condition]) -> list[str]:
    """Since when a gauge hides steps."""
    mine = [after[one.topic, one.about] for one in hidden if key == ("gauge", one.channel)]
    counts = [count for one in mine for count in (one.hidden or {}).values()]
    return [count.since for count in counts if count.since is not None]


def _kept_closed(now: Condition, state: Before, hidden_since: Sequence[str]) -> Condition:
    """A person's close of this very night outlives another look at it."""
    if state.own is not None and now.standing is not None and now.closed is None:
        now = replace(now, closed=state.own.closed)
    return rules.worsened(now, hidden_since)


def _change(
    scope: _Scope, cause: Cause, row: AlertRow | None, now: Condition, evidence: Mapping[str, object]
) -> AlertRow | None:
    """Compare a cause with its newest alert, write what changed, give the alert as it is then."""
    session, night = scope.session, scope.night
    alert, mark, stood = None, None, True
    if row is not None:
        alert = AlertNow(step=row.step, frozen=is_frozen(session, row), ended=row.ended, how=row.how)
        mark = _mark_since(scope, row)
        if row.ended is None and now.standing is None:
            stood = kept.stood_between(session, cause, row.raised, night.slot)
    for change in rules.changes(alert, now, night=night.slot, stood=stood, marked=mark is not None):
        if change.kind == "raised":
            row = _raise(session, cause, change, now.counts[change.step].since or night.slot)
        if row is None:
            continue
        _apply(row, change, night.slot)
        said = mark.words if mark is not None and change.detail == "mark" else None
        seen = {**evidence, **_run(cause, now, change.step)}
        write(session, row, change, Told(at=night.at, slot=night.slot, evidence=seen, said=said))
        if now.done == "told":
            row.ended, row.how = night.slot, "told"
            session.flush()
    return row


def _mark_since(scope: _Scope, row: AlertRow) -> Mark | None:
    """The mark that has counted an open alert's cause anew since it was raised."""
    if row.ended is not None:
        return None
    since = max(row.raised, kept.last_slot_of(scope.session, row, "back") or "")
    marks = [mark for mark in scope.marks if since < mark.night <= scope.night.slot]
    return next((mark for mark in marks if rules.counts_anew(mark, row.topic, row.about)), None)


def _run(cause: Cause, now: Condition, step: str) -> dict[str, object]:
    """What a sentence needs of the cause itself: its name, and how long the step has held."""
    count = now.counts.get(step)
    run: dict[str, object] = {"about": cause.about}
    if count is not None and count.over:
        run |= {"since": count.first, "nights": count.over}
    return run


def _carry(scope: _Scope, row: AlertRow | None, one: Carried) -> None:
    """A gauge in doubt says, once, what it hides."""
    if row is None or row.ended is not None or kept.is_written(scope.session, row, "carries", one.detail):
        return
    change = Change(kind="carries", step=row.step, detail=one.detail)
    told = Told(at=scope.night.at, slot=scope.night.slot, evidence={"about": one.channel})
    row.seen = row.left_until = None
    write(scope.session, row, change, told)


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


def _site_id(session: Session, site: str) -> int:
    return int(session.execute(select(SITE.c.id).where(SITE.c.name == site)).scalar_one())
