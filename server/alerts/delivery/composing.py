"""Which lines a person gets tonight, and which wait: from what happened, what stands and what was told. Pure.

One line a cause. Pressing things go at night, notes, easings and ends on Monday, all that stands on the first
of a month. What happened is told against what the same person was told before.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby

from server.alerts.delivery.facts import WEIGHTS, AlertFacts, Draft, Line, Night, Owed, Plan, Post, Recent

HOUSE_TOPICS = frozenset({"disk", "backup", "intake", "channel", "certificate"})
SITE_TOPICS = frozenset({"site"})
ENDS = frozenset({"ended", "passed", "over"})
MILD = ENDS | {"eased", "back"}
HOURLY = frozenset({"raised", "rose"})
FLOOD_FROM = 6
# Nights from one saying to the next of what is unseen: the first time, then each time.
REPEATS = {"today": (3, 7), "soon": (14, 28)}
MOST_REPEATS = 4
CAP_NIGHTS, CAP_MESSAGES = 7, 3
RETURNS, RETURN_NIGHTS = 3, 30


@dataclass(slots=True, kw_only=True)
class _Told:
    """What a post knows of an alert: nothing, that it stands, or that it ended."""

    knows: str = ""
    by_line: bool = False
    last: str = ""
    repeats: int = 0
    chatter: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Choice:
    """A line that may be said, whether it can wait, and the events that go with it."""

    line: Line | None
    events: tuple[Owed, ...]
    fate: str | None = None
    is_still: bool = False


def concerns(post: Post, alert: AlertFacts) -> bool:
    """Whether an alert is this post's: by its doors, the house, never a channel's failing through itself."""
    if alert.topic == "channel":
        own = post.house or (post.person is not None and post.person in alert.persons)
        return own and alert.about != post.channel
    if alert.topic in HOUSE_TOPICS:
        return post.house
    if alert.topic in SITE_TOPICS or post.doors is None:
        return True
    return alert.door_id in post.doors


def plan(
    post: Post,
    owed: Iterable[Owed],
    *,
    alerts: Mapping[int, AlertFacts],
    recent: Sequence[Recent],
    night: Night,
) -> Plan:
    """The message of a post for a night, most pressing first, and the fate of each event owed.

    A fate is None (it goes with the message), `covered`, `monday` or `room` (it waits), or `dropped`.
    """
    told, owed = _told(recent), list(owed)
    choices = {
        alert_id: _choice(post, alerts[alert_id], tuple(events), told.get(alert_id, _Told()))
        for alert_id, events in groupby(sorted(owed, key=_by_alert), key=lambda one: one.alert_id)
    }
    stills = _stills(post, alerts, told, night)
    full = _full_doors(recent, night)
    pressing = [
        line
        for line in _pressing(choices, stills, night)
        if line.weight == "today" or line.door_id not in full
    ]
    standing: tuple[int, ...] | None = standing_of(post, alerts.values())
    if not (night.has_sheet or _is_new(standing or (), owed, recent, night)):
        standing = None
    goes = bool(pressing) or night.is_monday or night.has_sheet or standing is not None
    chosen = _chosen(choices, pressing=pressing, night=night, goes=goes)
    fates = _fates(choices, {line.alert_id for line in chosen}, night)
    if not chosen and standing is None:
        return Plan(draft=None, fates=fates)
    lines = tuple(sorted(chosen, key=_order))
    kind = "night" if pressing or not (night.is_monday or night.has_sheet) else "week"
    draft = Draft(
        kind="month" if night.has_sheet and kind == "week" else kind,
        lines=lines,
        standing=standing,
        flood=len(lines) if len(lines) >= FLOOD_FROM else None,
    )
    return Plan(draft=draft, fates=fates)


def _by_alert(one: Owed) -> tuple[int, int]:
    return one.alert_id, one.event_id


def _order(line: Line) -> tuple[int, int, int]:
    return int(line.kind in ENDS), WEIGHTS[line.weight], line.alert_id


def _told(recent: Sequence[Recent]) -> dict[int, _Told]:
    told: dict[int, _Told] = {}
    for message in recent:
        if message.kind == "test":
            continue
        for line in message.lines:
            _tell(told.setdefault(line.alert_id, _Told()), line, message)
        for alert_id in message.standing:
            one = told.setdefault(alert_id, _Told())
            if not one.knows:
                one.knows, one.last = "stands", message.slot
    return told


def _tell(one: _Told, line: Line, message: Recent) -> None:
    if message.state == "overtaken":
        one.knows = "overtaken"
        return
    one.knows = "ended" if line.kind in ENDS or line.kind == "contradicted" else "stands"
    one.repeats = one.repeats + 1 if line.kind == "still" else 0
    one.by_line, one.last = True, message.slot
    if line.kind == "chatter":
        one.chatter = message.slot


def _choice(post: Post, alert: AlertFacts, events: tuple[Owed, ...], told: _Told) -> _Choice:
    if alert.covered and alert.ended is None:
        return _Choice(line=None, events=events, fate="covered")
    kind = _ended_kind(alert, events, told) if alert.ended else _standing_kind(alert, events, told)
    is_light = WEIGHTS[alert.weight] > WEIGHTS[post.least]
    if not kind or (is_light and kind not in MILD and kind != "contradicted"):
        return _Choice(line=None, events=events, fate="dropped")
    if is_light and not told.knows:
        return _Choice(line=None, events=events, fate="dropped")
    return _Choice(line=_line(alert, kind), events=events)


def _line(alert: AlertFacts, kind: str) -> Line:
    detail = {"carries": alert.carries, "ended": alert.how, "over": alert.how}.get(kind) or ""
    return Line(
        kind=kind,
        alert_id=alert.id,
        step=alert.step,
        weight=alert.weight,
        rank=alert.rank,
        door_id=alert.door_id,
        detail=detail,
    )


def _ended_kind(alert: AlertFacts, events: tuple[Owed, ...], told: _Told) -> str:
    """How an end is said: not at all to whom its beginning was not, or who was told of it already."""
    if told.knows == "ended":
        return ""
    if told.knows:
        if alert.how == "contradicted":
            return "contradicted"
        return "over" if told.knows == "overtaken" else "ended"
    hidden = alert.was_covered or any(one.waits == "covered" for one in events)
    if alert.how == "told":
        return "raised"
    return "" if hidden or alert.how == "contradicted" else "passed"


def _standing_kind(alert: AlertFacts, events: tuple[Owed, ...], told: _Told) -> str:
    """Of several events the weightiest; a rise of what was never said is said as raised."""
    kinds = {one.kind for one in events}
    is_known = told.knows in ("stands", "ended")
    chances = (
        ("carries", "carries" in kinds),
        ("raised", "raised" in kinds and not told.by_line),
        ("rose", "rose" in kinds and not _is_eased_since(events)),
        ("chatter", "back" in kinds and _comes_and_goes(alert, told)),
        ("back", told.knows == "ended"),
        ("raised", not is_known and bool(kinds & {"rose", "eased", "back"})),
        ("eased", "eased" in kinds),
    )
    return next((kind for kind, holds in chances if holds), "")


def _is_eased_since(events: tuple[Owed, ...]) -> bool:
    return [one.kind for one in events if one.kind in ("rose", "eased")][-1] == "eased"


def _comes_and_goes(alert: AlertFacts, told: _Told) -> bool:
    """The third return within 30 nights; said once in as many."""
    if len(alert.backs) < RETURNS:
        return False
    last = alert.backs[-1]
    is_told = bool(told.chatter) and _nights(told.chatter, last) < RETURN_NIGHTS
    return not is_told and _nights(alert.backs[-RETURNS], last) < RETURN_NIGHTS


def _nights(first: str, last: str) -> int:
    return (date.fromisoformat(last[:10]) - date.fromisoformat(first[:10])).days


def _stills(
    post: Post, alerts: Mapping[int, AlertFacts], told: Mapping[int, _Told], night: Night
) -> dict[int, Line]:
    """What was said, stands and is unseen, and is due to be said again."""
    if night.is_hour or not night.is_fresh:
        return {}
    due = {}
    for alert_id, known in told.items():
        alert = alerts.get(alert_id)
        if alert is None or known.knows != "stands" or WEIGHTS[alert.weight] > WEIGHTS[post.least]:
            continue
        if concerns(post, alert) and _is_due(alert, known, night.slot):
            due[alert_id] = _line(alert, "still")
    return due


def _is_due(alert: AlertFacts, told: _Told, night: str) -> bool:
    if alert.ended or alert.is_frozen or alert.covered or alert.weight not in REPEATS:
        return False
    left = alert.left_until
    if left is not None and night < left:
        return False
    if alert.seen is not None and (left is None or alert.seen >= left):
        return False
    if left is not None and told.last < left:
        return True
    first, each = REPEATS[alert.weight]
    since = max([told.last, *alert.backs])
    return told.repeats < MOST_REPEATS and _nights(since, night) >= (each if told.repeats else first)


def _full_doors(recent: Sequence[Recent], night: Night) -> set[int | None]:
    """Doors with three messages in the last seven nights: a fourth waits, on Mondays not."""
    if night.is_monday:
        return set()
    after = (night.day - timedelta(days=CAP_NIGHTS)).isoformat()
    counts: dict[int, int] = {}
    for message in recent:
        if after < message.slot[:10]:
            for door_id in {line.door_id for line in message.lines if line.door_id is not None}:
                counts[door_id] = counts.get(door_id, 0) + 1
    return {door_id for door_id, count in counts.items() if count >= CAP_MESSAGES}


def _pressing(choices: Mapping[int, _Choice], stills: Mapping[int, Line], night: Night) -> list[Line]:
    """What makes a message of its own."""
    lines = [choice.line for choice in choices.values() if choice.line is not None]
    own = [line for line in lines if line.kind not in MILD and line.weight != "note"]
    if night.is_hour:
        return [line for line in own if line.kind in HOURLY]
    covered = {alert_id for alert_id, choice in choices.items() if choice.fate == "covered"}
    said = {line.alert_id for line in own} | covered
    return own + [line for alert_id, line in stills.items() if alert_id not in said]


def _chosen(
    choices: Mapping[int, _Choice], *, pressing: Sequence[Line], night: Night, goes: bool
) -> list[Line]:
    """One line a cause: what presses, what goes along, and what Monday says."""
    chosen = {line.alert_id: line for line in pressing}
    for alert_id, choice in choices.items():
        line = choice.line
        if line is None or (alert_id in chosen and chosen[alert_id].kind != "still"):
            continue
        is_mild = line.kind in MILD or line.weight == "note"
        is_along = goes and not night.is_hour and line.kind in ENDS
        if is_mild and (night.is_monday or is_along or alert_id in chosen):
            chosen[alert_id] = line
    return list(chosen.values())


def _fates(choices: Mapping[int, _Choice], chosen: set[int], night: Night) -> dict[int, str | None]:
    fates: dict[int, str | None] = {}
    for alert_id, choice in choices.items():
        fate = choice.fate
        if fate is None and alert_id not in chosen:
            is_mild = choice.line is not None and (choice.line.kind in MILD or choice.line.weight == "note")
            fate = "monday" if is_mild or night.is_hour else "room"
        fates |= {event.event_id: fate for event in choice.events}
    return fates


def _is_new(standing: Sequence[int], owed: Iterable[Owed], recent: Sequence[Recent], night: Night) -> bool:
    """Whether the post was never sent anything, and something stands from before it was made."""
    known = {one.alert_id for one in owed}
    return not recent and not night.is_hour and any(alert_id not in known for alert_id in standing)


def standing_of(post: Post, alerts: Iterable[AlertFacts]) -> tuple[int, ...]:
    """All that stands and is this post's, most pressing first; what another alert covers is not named."""
    own = [
        one
        for one in alerts
        if one.ended is None
        and not one.covered
        and concerns(post, one)
        and WEIGHTS[one.weight] <= WEIGHTS[post.least]
    ]
    return tuple(one.id for one in sorted(own, key=lambda one: (WEIGHTS[one.weight], one.id)))
