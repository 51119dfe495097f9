"""Alerts: what must I do, and by when? The two forms of the pages are here."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from flask import Blueprint, abort, redirect, render_template, request
from werkzeug.wrappers import Response

from dashboards.pages import dates, words
from dashboards.pages.facts import STEP_STATES
from dashboards.pages.ours import ours, sheet
from server.alerts import ledger
from server.alerts.ledger import AlertView, Close, Seen
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
HOW = {
    "gone": "Its reason went away",
    "mark": "A mark was made",
    "contradicted": "Readings that came later show that it did not hold",
    "retired": "What it was about is no longer watched",
    "lapsed": "It lapsed after 60 nights",
    "told": "Told once",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingAlert:
    """A standing alert as printed."""

    id: int
    drawing: str | None
    word: str
    title: str
    say: str
    do: str
    since: str
    seen: str | None
    door: str | None
    href: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosedAlert:
    """A closed alert as printed."""

    door: str
    said: str
    stood: str
    ended: str


@pages.get("/alerts")
def alerts() -> str:
    """Standing ones first, most pressing first; closed ones with how they ended."""
    with ours().sessions() as session:
        doors = {door.id: door for door in register.list_doors(session)}
        standing, closed = list(ledger.standing(session)), list(ledger.closed(session, CLOSED_SHOWN))
        frame = sheet(session, title="Alerts", nav="alerts", heard=list(doors.values()))
    zone = ours().zone or next((door.zone for door in doors.values()), "UTC")
    return render_template(
        "alerts.html",
        sheet=frame,
        lead=lead(standing, closed, zone, frame.last_heard),
        standing=[standing_alert(one, doors.get(one.door_id or 0), zone) for one in standing],
        closed=[closed_alert(one, zone) for one in closed],
    )


@pages.post("/alerts/<int:alert_id>/seen")
def seen(alert_id: int) -> Response:
    """Mark as seen: repeats stop, nothing closes."""
    _fields({"csrf_token"})
    return _act(alert_id, Seen)


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


def standing_alert(one: AlertView, door: DoorHung | None, zone: str) -> StandingAlert:
    """A standing alert in words."""
    return StandingAlert(
        id=one.id,
        drawing=STEP_STATES.get(one.step) or MARKS.get(one.step),
        word=one.word,
        title=one.title,
        say=one.say,
        do=one.do,
        since=dates.local_date(one.since, zone),
        seen=None if one.seen is None else dates.local_date(one.seen, zone),
        door=None if door is None else door.shown,
        href=None if door is None else f"/doors/{door.site}/{door.name}",
    )


def closed_alert(one: AlertView, zone: str) -> ClosedAlert:
    """A closed alert in words."""
    return ClosedAlert(
        door=one.door_shown or "The house",
        said=one.word,
        stood=dates.span(one.since, one.ended or one.since, zone),
        ended=one.words or HOW.get(one.how or "", one.how or ""),
    )


def _act(alert_id: int, act: Callable[[], Seen | Close]) -> Response:
    with ours().writing() as session:
        ledger.act(session, alert_id, act(), by="keeper", at=ours().clock())
    return redirect("/alerts", 303)


def _fields(known: set[str]) -> None:
    if set(request.form) - known or any(len(request.form.getlist(name)) > 1 for name in request.form):
        abort(400, "The form came with a field that is not its own.")


def _when_ended(one: AlertView, zone: str) -> str:
    return dates.local_date(one.ended or one.since, zone)
