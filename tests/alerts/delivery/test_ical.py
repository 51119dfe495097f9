"""A calendar's text: what RFC 5545 asks of it, hostile and foreign names, an event that moves."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from server.alerts.delivery.ical import Day, calendar
from tests.alerts.delivery.stored import BASE_URL
from tests.alerts.delivery.unfolded import Component, components, events

NIGHT = datetime(2027, 3, 2, 5, 10, 3, 999, tzinfo=UTC)
CAUTION = "Not a safety device: look at the door itself."
DAY = Day(
    cause="doors/yard/north/check",
    day=date(2027, 3, 9),
    summary="North: check due",
    lines=["Hold a feeler beside each."],
    link=f"{BASE_URL}/doors/yard/north",
    revised=NIGHT,
)


def read(*days: Day) -> list[Component]:
    return events(calendar(days, title="Days of the doors", base_url=BASE_URL))


def test_what_a_calendar_must_have() -> None:
    """RFC 5545, 3.6: PRODID and VERSION once, 2.0 (3.7.4). RFC 7986, 5.1 and 5.7: NAME, REFRESH-INTERVAL."""
    (name, own), *_ = components(calendar([DAY], title="Days", base_url=BASE_URL))
    assert (name, own["VERSION"], own["PRODID"]) == ("VCALENDAR", "2.0", "-//hangtrue//days of the doors//EN")
    assert (own["NAME"], own["REFRESH-INTERVAL;VALUE=DURATION"]) == ("Days", "PT6H")
    assert "METHOD" not in own


def test_what_an_event_must_have() -> None:
    """3.6.1: UID, DTSTAMP (UTC, 3.3.5), DTSTART (a DATE, 3.3.4: without DTEND it is that one day)."""
    (event,) = read(DAY)
    assert event["DTSTART;VALUE=DATE"] == "20270309"
    assert event["DTSTAMP"] == event["LAST-MODIFIED"] == "20270302T051003Z"
    assert event["UID"]
    assert event["URL"] == f"{BASE_URL}/doors/yard/north"
    assert event["TRANSP"] == "TRANSPARENT"
    assert (event["SUMMARY"], event["DESCRIPTION"]) == (
        "North: check due",
        f"Hold a feeler beside each.\n{CAUTION}",
    )
    assert not {"DTEND", "DURATION"} & set(event)


def test_one_component_stands_in_a_calendar_without_events() -> None:
    """3.6: a calendar has one component or more; 3.6.5: what a zone must have."""
    (_, zone, standard) = components(calendar([], title="Days", base_url=BASE_URL))
    assert zone == ("VTIMEZONE", {"TZID": "UTC"})
    assert standard[0] == "STANDARD"
    assert set(standard[1]) == {"DTSTART", "TZOFFSETFROM", "TZOFFSETTO"}


@pytest.mark.parametrize(
    "name",
    [
        "Tür zum Hof, süd; a\\b",
        "門" * 60,
        "a" * 73 + "üß" * 40,
        "BEGIN:VEVENT",
        'quoted "name": ;,\\n',
    ],
)
def test_any_name_comes_back_as_it_was(name: str) -> None:
    """3.3.11 escapes and 3.1 folds, read back by the letter."""
    (event,) = read(replace(DAY, summary=name, lines=[name, name]))
    assert event["SUMMARY"] == name
    assert event["DESCRIPTION"] == f"{name}\n{name}\n{CAUTION}"


def test_a_name_cannot_add_a_line() -> None:
    (event,) = read(replace(DAY, summary="a\r\nURL:http://evil\x00\u202e", lines=["x\nEND:VEVENT"]))
    assert event["SUMMARY"] == "a URL:http://evil"
    assert event["DESCRIPTION"] == f"x END:VEVENT\n{CAUTION}"


def test_the_caution_stands_once() -> None:
    (event,) = read(replace(DAY, lines=[f"Try a feeler. {CAUTION}", ""]))
    assert event["DESCRIPTION"] == f"Try a feeler.\n{CAUTION}"


def test_an_event_that_moves_keeps_its_uid_and_is_newer() -> None:
    """3.8.4.7: the UID is what makes it the same event; 3.8.7.4: SEQUENCE grows when it moves."""
    (before,) = read(DAY)
    (after,) = read(replace(DAY, day=date(2027, 3, 20), revised=NIGHT + timedelta(days=1)))
    assert after["UID"] == before["UID"]
    assert after["DTSTART;VALUE=DATE"] == "20270320"
    assert int(after["SEQUENCE"]) > int(before["SEQUENCE"])
    assert after["DTSTAMP"] > before["DTSTAMP"]
    (far,) = read(replace(DAY, revised=datetime(2126, 1, 1, tzinfo=UTC)))
    assert int(far["SEQUENCE"]) < 2**31  # 3.3.8: an INTEGER


def test_each_cause_and_each_yard_has_its_own_uid() -> None:
    south = replace(DAY, cause="doors/yard/south/check")
    uids = {one["UID"] for one in read(DAY, south)}
    uids |= {one["UID"] for one in events(calendar([DAY], title="Days", base_url="https://other"))}
    assert len(uids) == 3


def test_the_text_is_the_same_while_nothing_changes_and_oldest_comes_first() -> None:
    first = replace(DAY, cause="a", day=date(2027, 1, 1))
    made = [calendar(days, title="Days", base_url=BASE_URL) for days in ([DAY, first], [first, DAY])]
    assert made[0] == made[1]
    assert [one["DTSTART;VALUE=DATE"] for one in events(made[0])] == ["20270101", "20270309"]
