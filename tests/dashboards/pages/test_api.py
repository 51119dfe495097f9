"""The facts as data."""

from datetime import datetime

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine, insert

from dashboards.pages import api
from dashboards.pages.facts import movement
from server.database import session_of
from server.doors.register import channels_by_name
from server.readings.tables import Calibration, Reading
from tests.dashboards import yard
from tests.dashboards.conftest import HOST, app_over

CHANNEL = "saltmarsh-yard/north/lock-hinge-top"
FIRST_MS = 1_700_000_000_000
ASKED = f"/api/v1/readings?channel={CHANNEL}&from={FIRST_MS}&to={FIRST_MS + 600_000}"


@pytest.fixture
def readings(two_doors: Engine) -> FlaskClient:
    """Ten readings a minute apart; a calibration of 10 mm a unit from the fourth on."""
    with session_of(two_doors) as session:
        channel = channels_by_name(session)[CHANNEL]
        rows = [{"channel_id": channel.id, "t_ms": FIRST_MS + 60_000 * k, "value": k / 10} for k in range(10)]
        session.execute(insert(Reading), rows)
        session.add(
            Calibration(
                channel_id=channel.id,
                from_ms=FIRST_MS + 180_000,
                kind="linear",
                coefficients="[1.0, 10.0]",
                unit_out="mm",
                sigma=0.01,
                note="",
                made=yard.NOW,
            )
        )
    return app_over(two_doors).test_client()


def test_doors_are_those_of_the_pages(client: FlaskClient) -> None:
    told = client.get("/api/v1/doors", base_url=HOST).get_json()["doors"]
    assert {one["ref"] for one in told} == {"saltmarsh-yard/north", "saltmarsh-yard/south"}
    north = next(one for one in told if one["name"] == "north")
    assert north["shown"] == "North"
    assert datetime.fromisoformat(north["hung"]) == yard.built("north").hung


def test_a_door_has_its_series_with_their_intervals(client: FlaskClient) -> None:
    told = client.get("/api/v1/doors/saltmarsh-yard/north", base_url=HOST).get_json()
    droop = next(one for one in told["series"] if one["key"] == "droop")
    assert (droop["rate_per_year"], droop["rate_low_per_year"], droop["rate_high_per_year"]) == (
        0.06,
        0.03,
        0.09,
    )
    assert droop["now"] == pytest.approx(droop["stays"] + droop["comes_back"])
    assert len(told["series"]) == 7
    assert {one["channel"] for one in told["channels"]} >= {CHANNEL}


def test_what_is_not_told_is_null() -> None:
    out = api.series_out(movement(yard.result("droop", status="refused", facts={"collinearity": 9.0})))
    assert (out.rate_per_year, out.stays, out.comes_back, out.why_refused) == (None, None, None, "season")
    assert out.now is not None


def test_readings_are_raw_and_calibrated(readings: FlaskClient) -> None:
    told = readings.get(ASKED, base_url=HOST).get_json()
    assert told["t_ms"] == [FIRST_MS + 60_000 * k for k in range(10)]
    assert told["raw"] == pytest.approx([k / 10 for k in range(10)])
    assert told["value"][:3] == [None, None, None]
    assert told["value"][3:] == pytest.approx([1 + k for k in range(3, 10)])
    assert told["next"] is None
    assert told["unit"] == "/"


def test_readings_go_on_where_they_stopped(readings: FlaskClient) -> None:
    first = readings.get(f"{ASKED}&limit=4", base_url=HOST).get_json()
    assert first["next"] == FIRST_MS + 240_000
    rest = readings.get(
        f"/api/v1/readings?channel={CHANNEL}&from={first['next']}&to={FIRST_MS + 600_000}", base_url=HOST
    ).get_json()
    assert len(first["raw"] + rest["raw"]) == 10
    assert readings.get(f"{ASKED}&limit=10", base_url=HOST).get_json()["next"] is None


def test_times_may_be_iso(readings: FlaskClient) -> None:
    iso = "from=2023-11-14T22:13:20%2B00:00&to=2023-11-14T22:15:20%2B00:00"
    told = readings.get(f"/api/v1/readings?channel={CHANNEL}&{iso}", base_url=HOST).get_json()
    assert told["raw"] == [0.0, 0.1]


@pytest.mark.parametrize(
    ("query", "needed"),
    [
        ("from=yesterday", "ISO 8601"),
        ("from=2023-11-14T22:13:20", "ISO 8601"),
        ("from=-5", "ISO 8601"),
        ("limit=0", "`limit` from 1 to 100000"),
        ("limit=100001", "`limit` from 1 to 100000"),
        ("limit=ten", "`limit` from 1 to 100000"),
        ("from=0", "at most 400 days apart"),
        ("from=2000&to=1000", "`from` before `to`"),
        ("colour=red", "no parameter but channel, from, limit, to"),
        ("limit=1&limit=2", "`limit` once"),
    ],
)
def test_what_cannot_be_asked_is_refused_in_words(readings: FlaskClient, query: str, needed: str) -> None:
    answer = readings.get(f"/api/v1/readings?channel={CHANNEL}&{query}", base_url=HOST)
    told = answer.get_json()
    assert answer.status_code == 422
    assert needed in told["needed"]
    assert told["came"]
    assert told["asked"]
    assert len(told["code"]) == 8


def test_readings_of_no_channel_say_what_to_ask_for(readings: FlaskClient) -> None:
    answer = readings.get("/api/v1/readings", base_url=HOST)
    assert answer.status_code == 400
    assert "needs `channel`" in answer.get_json()["detail"]


def test_an_unknown_channel_is_none(readings: FlaskClient) -> None:
    answer = readings.get("/api/v1/readings?channel=north/nothing", base_url=HOST)
    assert answer.status_code == 404
    assert "north/nothing" in answer.get_json()["came"]
    assert readings.get("/api/v1/doors?x=1", base_url=HOST).status_code == 422
