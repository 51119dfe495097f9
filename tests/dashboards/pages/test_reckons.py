"""How it reckons: the words, and the record of a door."""

import re
from dataclasses import replace
from datetime import date, timedelta

from flask.testing import FlaskClient
from sqlalchemy import Engine

from dashboards.pages import ahead, words
from dashboards.pages.reckons import in_order, record_of
from server.database import session_of
from server.doors.register import find_door
from server.inspection.said import Said, say
from server.inspection.scoring import DateSaid, Score, score
from server.inspection.values import SeriesLook
from tests.dashboards import yard
from tests.dashboards.conftest import HOST, app_over

NB = words.NBSP
RECORD = "/doors/saltmarsh-yard/north/reckons"


def said(key: str, day: int, *, off: float = 0.0, **other: object) -> Said:
    """What was said on that day: what stays by the last result, `off` by so much, within 0.05."""
    parts = yard.result(key).parts
    assert parts is not None
    stays = float(parts.stays[day - int(parts.day[0])]) + off
    slot = (date(1970, 1, 1) + timedelta(days=day + 1)).isoformat()
    made = Said(
        series=key,
        slot=slot,
        revision=1,
        at=yard.NOW,
        day=day,
        status="served",
        stays=stays,
        stays_low=stays - 0.05,
        stays_high=stays + 0.05,
        alarm=False,
    )
    return replace(made, **other)  # type: ignore[arg-type]  # a table of named values, checked by use


def scored(*nights: Said) -> Score:
    return score(nights, {key: yard.result(key) for key in {one.series for one in nights}})


def test_what_was_said_stands_beside_what_came() -> None:
    nights = [said("droop", yard.TODAY - 400), said("droop", yard.TODAY - 300, off=0.2)]
    record = record_of(scored(*nights))
    assert record.lead == (
        "Two intervals that were said of it can be judged by now; 1 held what is known since. "
        "They are meant to hold 19 times in 20."
    )
    (row,) = record.series
    assert (row.what, row.held, row.alarms, row.nights) == ("Corner droop", "1 of 2", "none", "2")


def test_a_year_s_end_has_its_row() -> None:
    first = yard.TODAY - int(5 * 365.25)
    record = record_of(scored(said("droop", first + 731), said("droop", first + 1100, off=0.3)))
    assert record.years_of == "Corner droop"
    assert [(row.when.split(",")[0], row.held) for row in record.years] == [
        ("Two years", "held"),
        ("Three years", "did not hold"),
    ]
    assert re.fullmatch(rf"\d\.\d\d{NB}mm, \d\.\d\d to \d\.\d\d{NB}mm", record.years[0].said)


def test_what_was_said_otherwise_later_stands_apart() -> None:
    first = yard.TODAY - int(5 * 365.25)
    night = said("droop", first + 731)
    again = replace(night, revision=2, stays=1.5, stays_low=1.4, stays_high=1.6)
    (row,) = record_of(scored(night, again)).years
    assert row.held == f"held; said otherwise since: 1.50{NB}mm, 1.40 to 1.60{NB}mm"


def test_dates_that_were_given_say_what_came() -> None:
    one = said("turn:lock-hinge", 20000, alarm=True, earliest=20200, latest=20900)
    cases = [
        (DateSaid(said=one, reached=20300, is_met=True), f"Reached on 31{NB}July{NB}2025, within it."),
        (DateSaid(said=one, reached=20100, is_met=False), f"Reached on 12{NB}January{NB}2025, outside it."),
        (DateSaid(said=one, reached=None, is_met=False), "Not reached in that time."),
        (DateSaid(said=one, reached=None, is_met=None), "Not reached yet."),
    ]
    base = scored(said("turn:lock-hinge", yard.TODAY - 400)).series[0]
    for given, came in cases:
        (row,) = record_of(Score(series=(replace(base, dates=(given,)),))).dates
        assert row.came == came
        assert row.said == f"Not before April{NB}2025; how long after is not known yet."


def test_before_anything_can_be_judged_it_says_so() -> None:
    assert record_of(Score(series=())).lead == "Nothing has been said of it yet."
    fresh = record_of(scored(said("droop", yard.TODAY)))
    assert fresh.lead.startswith("Nothing that was said of it can be judged yet")
    assert fresh.series == ()


def test_the_corner_stands_first() -> None:
    told = scored(said("turn:lock-hinge", yard.TODAY - 400), said("droop", yard.TODAY - 400))
    assert [one.series for one in in_order(told.series)] == ["droop", "turn:lock-hinge"]


def test_the_words_name_no_door(client: FlaskClient) -> None:
    page = client.get("/reckons", base_url=HOST).get_data(as_text=True)
    for part in ("calibration", "19 times in 20", "When it says nothing", ahead.CAUTION):
        assert part in page, part
    assert not re.search(r"north|south|saltmarsh", page, re.IGNORECASE)
    assert 'id="h-cal"' in page


def test_a_door_s_record_names_no_other_door(two_doors: Engine) -> None:
    result = yard.result("droop")
    with session_of(two_doors) as session:
        for name in ("north", "south"):
            door = find_door(session, f"saltmarsh-yard/{name}")
            look = SeriesLook(
                key="droop",
                unit="mm",
                status="served",
                reason=None,
                rate=0.06,
                low=0.03,
                high=0.09,
                facts=result.facts | {"last_day": yard.TODAY - 400},
                parts=None,
            )
            say(session, door.id, "2025-10-21", [look], at=yard.NOW)
    client = app_over(two_doors).test_client()
    page = client.get(RECORD, base_url=HOST).get_data(as_text=True)
    assert "Corner droop" in page
    assert "One interval that were" not in page
    assert not re.search(r"south", page, re.IGNORECASE)
    assert RECORD in client.get("/doors/saltmarsh-yard/north", base_url=HOST).get_data(as_text=True)
    assert client.get("/doors/saltmarsh-yard/west/reckons", base_url=HOST).status_code == 404
