"""The feed of alerts, for a reader that fetches it with a token in its address."""

from flask import Blueprint, Response, abort

from dashboards.pages.ours import ours
from server.alerts.delivery import feed, fetching

pages = Blueprint("feed", __name__)
TYPE = "application/atom+xml; charset=utf-8"


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
