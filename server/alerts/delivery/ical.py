"""Days of the doors as a calendar, for a reader that fetches it. Pure.

Source: RFC 5545; NAME and REFRESH-INTERVAL are of RFC 7986. An event's UID is made of the yard's address
and its cause, and never changes.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING
from uuid import NAMESPACE_URL, uuid5

from server.alerts.delivery.wording import CAUTION, clean

if TYPE_CHECKING:
    from icalendar import Component, Event, Timezone

MAKER = "-//hangtrue//days of the doors//EN"
FETCH_AGAIN = timedelta(hours=6)  # the looks are nightly; what a person leaves changes at any hour
MINUTE_S = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """One thing that falls on a day, in words. `cause` names it for good, whatever its day and its words are.

    `lines`: what is known and what to do, without the caution. `revised`: when it was last made out.
    """

    cause: str
    day: date
    summary: str
    lines: Sequence[str]
    link: str
    revised: datetime


def calendar(days: Iterable[Day], *, title: str, base_url: str) -> bytes:
    """The days as an iCalendar text, oldest first: an all-day event each, that takes up no time."""
    from icalendar import Calendar

    made = Calendar()
    made.add("prodid", MAKER)
    made.add("version", "2.0")
    made.add("name", title)
    made.add("x-wr-calname", title)  # what phones show: older than NAME of RFC 7986, in no standard
    made.add("refresh-interval", FETCH_AGAIN, parameters={"VALUE": "DURATION"})
    in_order = sorted(days, key=lambda one: (one.day, one.cause))
    events: list[Component] = [_event(one, base_url) for one in in_order]
    for event in events or [_nothing()]:
        made.add_component(event)
    text: bytes = made.to_ical()
    return text


def _event(one: Day, base_url: str) -> "Event":
    """Without METHOD, DTSTAMP is the moment of the last revision (section 3.8.7.2).

    SEQUENCE has to grow when an event moves (3.8.7.4). Nothing is kept of what was fetched, so it is the
    minute of the revision: it grows with every look, and fits its 32 bits (3.3.8) for four thousand years.
    """
    from icalendar import Event

    revised = one.revised.astimezone(UTC).replace(microsecond=0)
    event = Event()
    event.add("uid", str(uuid5(NAMESPACE_URL, f"{base_url}/{one.cause}")))
    event.add("dtstamp", revised)
    event.add("last-modified", revised)
    event.add("sequence", int(revised.timestamp()) // MINUTE_S)
    event.add("dtstart", one.day)  # a date without an end is that day (3.6.1)
    event.add("transp", "TRANSPARENT")
    event.add("summary", clean(one.summary))
    said = [clean(line.replace(CAUTION, "")) for line in one.lines]
    event.add("description", "\n".join([*(line for line in said if line), CAUTION]))
    event.add("url", one.link)
    return event


def _nothing() -> "Timezone":
    """What stands in a calendar without an event, since one component it must have (section 3.6)."""
    from icalendar import Timezone, TimezoneStandard

    standard = TimezoneStandard()
    standard.add("dtstart", datetime(1970, 1, 1))  # noqa: DTZ001  # of a zone it must be local (3.8.2.4)
    standard.add("tzoffsetfrom", timedelta(0))
    standard.add("tzoffsetto", timedelta(0))
    zone = Timezone()
    zone.add("tzid", "UTC")
    zone.add_component(standard)
    return zone
