"""The feed of alerts and the calendar, for a reader that fetches them with a token in their address."""

from flask import Blueprint, Response, abort, request

from dashboards.pages.days import days_told
from dashboards.pages.ours import all_facts, ours
from server.alerts.delivery import days, feed, fetching, ical
from server.alerts.delivery.fetching import Reader
from server.database import Session
from server.inspection.results import last_look

pages = Blueprint("feed", __name__)
TYPE = "application/atom+xml; charset=utf-8"
CALENDAR_TYPE = "text/calendar; charset=utf-8"


@pages.get("/feed/<token>.atom")
def atom(token: str) -> Response:
    """The newest events, for whoever has a token that is in force. The feed itself does not name it."""
    base_url, now = ours().base_url, ours().clock()
    with ours().sessions() as session:
        reader = fetching.reader_of(session, token)
        if reader is None:
            abort(404)
        entries = feed.entries_of(session, base_url=base_url, zone=ours().zone or "UTC", doors=reader.doors)
    made = feed.atom(entries, title="Alerts of the yard", base_url=base_url, path="/feed", made=now)
    return Response(made, content_type=TYPE)


@pages.get("/feed/<token>.ics")
def calendar(token: str) -> Response:
    """The days of the doors, for whoever has a token that is in force; a reader that has them is told so."""
    base_url = ours().base_url
    with ours().sessions() as session:
        reader = fetching.reader_of(session, token)
        if reader is None:
            abort(404)
        made = ical.calendar(_days(session, reader), title="Days of the doors", base_url=base_url)
    answer = Response(made, content_type=CALENDAR_TYPE)
    answer.headers["Cache-Control"] = "private, no-cache"
    answer.add_etag()
    answer.make_conditional(request)
    return answer


def _days(session: Session, reader: Reader) -> list[ical.Day]:
    """What the server knows and what the pages tell; of a cause that both name, what the page tells."""
    base_url, today = ours().base_url, ours().clock().date()
    found = days.days_of(session, base_url=base_url, today=today, doors=reader.doors)
    for facts in all_facts(session):
        look = last_look(session, facts.door.id)
        if look is not None and (reader.doors is None or facts.door.id in reader.doors):
            found += days_told(facts, looked=look.looked, base_url=base_url)
    return list({one.cause: one for one in found}.values())
