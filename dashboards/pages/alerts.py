"""Alerts: what must I do, and by when? The forms of the pages are here: seen, leave it until, close."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from flask import Blueprint, abort, redirect, render_template, request
from werkzeug.wrappers import Response

from dashboards.pages import dates, words
from dashboards.pages.alerts_told import HOW, event_lines, held_words, way_notes
from dashboards.pages.facts import STEP_STATES
from dashboards.pages.ours import ours, sheet
from server.alerts import ledger
from server.alerts.changing import most_left
from server.alerts.delivery.failing import sent_first, ways
from server.alerts.ledger import AlertView, Close, Happened, Leave, Seen
from server.doors import register
from server.doors.register import DoorHung

pages = Blueprint("alerts", __name__)
CLOSED_SHOWN = 50
WORDS_MOST = 2000
MARKS = {
    "frame_rubs": "rubs",
    "gauge_doubt": "doubt",
    "gauge_off": "doubt",
    "gauge_still": "gauge",
    "gauge_out": "gauge",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingAlert:
    """A standing alert as printed. `leave_from` and `leave_to`: the days until which it may be left."""

    id: int
    drawing: str | None
    word: str
    title: str
    say: str
    do: str
    since: str
    sent: str | None
    seen: str | None
    left: str | None
    held: str | None
    leave_from: str
    leave_to: str
    events: Sequence[tuple[str, str]]
    door: str | None
    href: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosedAlert:
    """A closed alert as printed."""

    id: int
    events: Sequence[tuple[str, str]]
    door: str
    said: str
    stood: str
    ended: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """What alerts are printed with: zone, today, what happened to each, when each was first sent."""

    zone: str
    today: date
    events: Mapping[int, Sequence[Happened]] = field(default_factory=dict)
    sent: Mapping[int, datetime] = field(default_factory=dict)


@pages.get("/alerts")
def alerts() -> str:
    """Standing ones first, most pressing first; closed ones with how they ended."""
    with ours().sessions() as session:
        doors = {door.id: door for door in register.list_doors(session)}
        standing, closed = list(ledger.standing(session)), list(ledger.closed(session, CLOSED_SHOWN))
        numbers = [one.id for one in (*standing, *closed)]
        events, sent = ledger.history(session, numbers), sent_first(session, numbers)
        notes = way_notes(ways(session, ours().clock()))
        frame = sheet(session, title="Alerts", nav="alerts", heard=list(doors.values()))
    zone = ours().zone or next((door.zone for door in doors.values()), "UTC")
    around = Around(zone=zone, today=ours().clock().date(), events=events, sent=sent)
    return render_template(
        "alerts.html",
        sheet=frame,
        lead=lead(standing, closed, zone, frame.last_heard),
        notes=notes,
        standing=[standing_alert(one, doors.get(one.door_id or 0), around) for one in standing],
        closed=[closed_alert(one, around) for one in closed],
        doors=sorted(doors.values(), key=lambda door: door.ref),
    )


@pages.post("/alerts/<int:alert_id>/seen")
def seen(alert_id: int) -> Response:
    """Mark as seen: repeats stop, nothing closes."""
    _fields({"csrf_token"})
    return _act(alert_id, Seen)


@pages.post("/alerts/<int:alert_id>/leave")
def leave(alert_id: int) -> Response:
    """Leave it alone until a day: quiet till then, and said again on it."""
    _fields({"csrf_token", "until"})
    given = request.form.get("until", "")
    try:
        until = date.fromisoformat(given)
    except ValueError:
        abort(400, "A day such as 2026-12-24 is needed to leave it until.")
    return _act(alert_id, lambda: Leave(until=until))


@pages.post("/alerts/<int:alert_id>/close")
def close(alert_id: int) -> Response:
    """Close by a person's words on how it ended."""
    _fields({"csrf_token", "words"})
    said = request.form.get("words", "").strip()
    if len(said) > WORDS_MOST:
        abort(400, f"At most {WORDS_MOST} characters on how it ended.")
    return _act(alert_id, lambda: Close(words=said))


def lead(standing: Sequence[AlertView], closed: Sequence[AlertView], zone: str, heard: str | None) -> str:
    """How many stand, and the first of them; when none stands, when the doors were last heard."""
    if standing:
        many = words.count(len(standing), "alert stands", "alerts stand")
        return f"{many}. First: {standing[0].title}."
    last = f" Last closed: {closed[0].title}, {_when_ended(closed[0], zone)}." if closed else ""
    since = f"The doors were last heard {heard}." if heard else "No door has been heard yet."
    return f"Nothing stands.{last} {since}"


def standing_alert(one: AlertView, door: DoorHung | None, around: Around) -> StandingAlert:
    """A standing alert in words."""
    zone, sent, left = around.zone, around.sent.get(one.id), one.left_until
    return StandingAlert(
        id=one.id,
        drawing=STEP_STATES.get(one.step) or MARKS.get(one.step),
        word=one.word,
        title=one.title,
        say=one.say,
        do=one.do,
        since=dates.local_date(one.since, zone),
        sent=None if sent is None else dates.local_date(sent, zone),
        seen=None if one.seen is None else dates.local_date(one.seen, zone),
        left=None if left is None else dates.long_date(date.fromisoformat(left)),
        held=held_words(one),
        leave_from=(around.today + timedelta(days=1)).isoformat(),
        leave_to=(around.today + timedelta(days=most_left(one.weight))).isoformat(),
        events=event_lines(around.events.get(one.id, ()), zone),
        door=None if door is None else door.shown,
        href=None if door is None else f"/doors/{door.site}/{door.name}",
    )


def closed_alert(one: AlertView, around: Around) -> ClosedAlert:
    """A closed alert in words."""
    zone = around.zone
    return ClosedAlert(
        id=one.id,
        events=event_lines(around.events.get(one.id, ()), zone),
        door=one.door_shown or "The house",
        said=one.word,
        stood=dates.span(one.since, one.ended or one.since, zone),
        ended=one.words or HOW.get(one.how or "", one.how or ""),
    )


def _act(alert_id: int, act: Callable[[], Seen | Leave | Close]) -> Response:
    with ours().writing() as session:
        ledger.act(session, alert_id, act(), by="keeper", at=ours().clock())
    return redirect(f"/alerts#alert-{alert_id}", 303)


def _fields(known: set[str]) -> None:
    if set(request.form) - known or any(len(request.form.getlist(name)) > 1 for name in request.form):
        abort(400, "The form came with a field that is not its own.")


def _when_ended(one: AlertView, zone: str) -> str:
    return dates.local_date(one.ended or one.since, zone)
