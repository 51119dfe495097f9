"""The page of one door and its figures."""

import re
from dataclasses import replace
from datetime import timedelta

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine, update

from dashboards.pages import ahead, door, trends
from dashboards.pages.facts import DoorFacts
from dashboards.pages.trends import Trend
from server.alerts.ledger import Night, record
from server.database import session_of
from server.doors.register import find_door
from server.doors.tables import Door, Node
from server.inspection import results
from server.inspection.results import Parts, Slot, save, scope_of
from server.inspection.values import Finding, Inspection
from tests.dashboards import yard
from tests.dashboards.conftest import HOST, app_over, looks_of

NORTH = "/doors/saltmarsh-yard/north"
HOSTILE = ["<b>bold</b>", '"><script>alert(1)</script>', "\u202eevil", "x" * 200, "{{ 7 * 7 }}"]


def text_of(page: str) -> str:
    return re.sub(r"<[^>]+>", " ", page)


def trend_of(told: DoorFacts) -> Trend | None:
    return trends.trend(told, trends.main_drawn(told))


def test_the_page_has_its_answer_bars_figures_and_log(client: FlaskClient) -> None:
    page = client.get(NORTH, base_url=HOST).get_data(as_text=True)
    assert "Gap itself now, mm" in page
    assert "Turn that stays, mrad" in page
    for part in (
        "How much is left",
        "Corner droop since it was hung",
        "The season’s round",
        "Log of marks",
        "Joints",
    ):
        assert part in page, part
    assert page.count("data-figure=") == 2
    assert page.count('<div class="limit">') == 2
    assert "<title>\u2068North\u2069 · hangtrue</title>" in page
    assert "On to the limit" not in page
    assert ahead.CAUTION not in page
    assert "Add a mark" not in page


def test_no_bad_number_stands_on_a_page(client: FlaskClient) -> None:
    for path in ("/", NORTH, "/doors/saltmarsh-yard/south", "/compare", "/alerts"):
        text = text_of(client.get(path, base_url=HOST).get_data(as_text=True))
        assert not re.search(r"\bnan\b|\bNone\b(?! we can tell| to speak of)|\binf\b|-0\.00", text), path


def test_the_nav_has_the_pages_there_are(client: FlaskClient) -> None:
    page = client.get(NORTH, base_url=HOST).get_data(as_text=True)
    nav = page[page.index("<nav") : page.index("</nav>")]
    links = re.findall(r'href="([^"]+)"', nav)
    assert links == ["/", "/compare", "/alerts"]
    assert {client.get(link, base_url=HOST).status_code for link in links} == {200}


def test_an_unknown_door_is_a_sheet_with_one_way_on(client: FlaskClient) -> None:
    answer = client.get("/doors/saltmarsh-yard/west", base_url=HOST)
    page = answer.get_data(as_text=True)
    assert answer.status_code == 404
    assert "saltmarsh-yard/west" in page
    assert page.count('class="btn solid"') == 1


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_is_text_and_nothing_else(two_doors: Engine, name: str) -> None:
    with session_of(two_doors) as session:
        session.execute(update(Door).where(Door.name == "north").values(shown=name))
        made = session.query(Door).filter(Door.name == "north").one()
        made.built = made.built.replace('"North"', '"N"')
    client = app_over(two_doors).test_client()
    for path in ("/", NORTH, "/compare", "/alerts"):
        page = client.get(path, base_url=HOST).get_data(as_text=True)
        assert "<b>bold" not in page, path
        assert "<script>alert" not in page, path
        assert "49" not in text_of(page).split(), path
    page = client.get(NORTH, base_url=HOST).get_data(as_text=True)
    escaped = name.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace('"', "&#34;")
    assert f"<h1><bdi>{escaped}</bdi></h1>" in page
    assert f"<title>\u2068{escaped}\u2069 · hangtrue</title>" in page


def test_the_live_trend_is_the_door_s(client: FlaskClient) -> None:
    told = client.get("/figures/saltmarsh-yard/north/trend.json", base_url=HOST).get_json()
    assert [trace["role"] for trace in told["traces"]] == ["stays", "season", "seen"]
    assert told["limit"] == pytest.approx(2.43, abs=0.005)
    assert set(told["spans"]) == {"hung", "year"}
    assert told["y"][0] > 0 > told["y"][1]  # reversed: down is down
    assert client.get("/figures/saltmarsh-yard/west/trend.json", base_url=HOST).status_code == 404


def test_the_live_round_has_a_trace_a_year(client: FlaskClient) -> None:
    told = client.get("/figures/saltmarsh-yard/north/round.json", base_url=HOST).get_json()
    assert [trace["role"] for trace in told["traces"]] == [f"year{k}" for k in range(5)]
    assert {one["text"] for one in told["words"]} == {"taking up damp", "drying out"}


def test_first_weeks_show_what_was_measured_alone() -> None:
    early = yard.result("droop", status="refused", years=0.27)
    told = yard.told(results={"droop": early}, state="settling", years=0.27)
    drawn = trend_of(told)
    assert drawn is not None
    assert not drawn.is_parted
    assert [stroke.kind for stroke in drawn.still.strokes] == ["l-dots only"]
    assert door.season(told) is None
    assert "Measured only" in drawn.caption


def test_a_silent_door_s_figure_says_where_it_stops() -> None:
    told = yard.told(state="not_heard", heard=yard.NOW - timedelta(days=26))
    drawn = trend_of(told)
    assert drawn is not None
    assert any("not heard since" in label.text for label in drawn.still.labels)
    assert all(gauge.is_lost for gauge in door.elevation(told).gauges)


def test_without_a_line_there_is_no_figure_and_a_square_leaf() -> None:
    none = yard.result("droop", status="refused", facts={"line": "none"})
    told = yard.told(results={"droop": none}, state="settling")
    assert trend_of(told) is None
    assert door.elevation(told).leaf == "M0 0L1050 0.0L1050 2150.0L0 2150Z"


def test_a_gauge_in_doubt_is_a_broken_ring() -> None:
    doubt = yard.alert("gauge_doubt", topic="gauge", about="north/lock-hinge-top")
    rings = door.elevation(yard.told(standing=(doubt,))).gauges
    assert [ring.is_lost for ring in rings].count(True) == 1


def test_a_gauge_is_drawn_where_it_stands() -> None:
    told = yard.told()
    axes = {"lock": 950.0}
    assert door.gauge_place("shoulder", (85.0,), "lock-latch", told, axes) == (930.0, 1035.0)
    assert door.gauge_place("head", (990.0,), None, told, axes) == (990.0, 2110.0)
    assert door.gauge_place("latch", (100.0,), None, told, axes) == (1010.0, 100.0)
    assert door.gauge_place("air_temp", (), None, told, axes) is None


def test_the_limit_that_would_crush_the_figure_is_said_instead() -> None:
    small = yard.result("droop", rate=0.01, start=0.05, swing=0.1)
    drawn = trend_of(yard.told(results={"droop": replace(small)}))
    assert drawn is not None
    assert "lies below this drawing" in drawn.caption


def test_a_date_stands_with_its_caution_and_only_under_its_own_span(running: Engine) -> None:
    client = app_over(running).test_client()
    page = client.get(NORTH, base_url=HOST).get_data(as_text=True)
    text = text_of(page)
    assert "between then and October\u00a02028, if it goes on so." in text
    assert "Not before May\u00a02027; how long after is not known yet." in text
    assert text.count(ahead.CAUTION) == 1
    assert page.count('data-span="limit"') == 2
    told = client.get("/figures/saltmarsh-yard/north/trend.json", base_url=HOST).get_json()
    assert [trace["role"] for trace in told["traces"]] == ["stays", "season", "seen"]
    assert [trace["role"] for trace in told["onward"]] == ["ahead", "aheadband"]
    assert [one["text"] for one in told["ticks"]] == ["", "?"]
    joint = client.get(
        "/figures/saltmarsh-yard/north/trend.json?series=turn:lock-hinge", base_url=HOST
    ).get_json()
    assert (joint["unit"], len(joint["onward"]), joint["ticks"]) == ("mrad", 1, [])
    other = client.get("/figures/saltmarsh-yard/north/trend.json?series=turn:top-hinge", base_url=HOST)
    assert other.status_code == 404


def test_a_step_that_nobody_logged_stands_in_the_log_and_on_the_trend(running: Engine) -> None:
    page = app_over(running).test_client().get(NORTH, base_url=HOST).get_data(as_text=True)
    assert "A step of 0.21\u00a0mm down on 28\u00a0January\u00a02026. Nobody has logged why." in page
    assert "Hinge packed." in page
    assert page.count('class="g-tick"') == 2


def test_a_silent_door_shows_no_date(running: Engine) -> None:
    late = yard.NOW - timedelta(days=26)
    evidence = {"overdue": True, "silent_h": 620.0}
    with session_of(running) as session:
        silent = {"last_heard_ms": int(late.timestamp() * 1000)}
        session.execute(update(Node).where(Node.name == "north").values(**silent))
        record(
            session,
            Inspection(findings=(Finding(topic="heard", about="north", evidence=evidence),)),
            door=find_door(session, "saltmarsh-yard/north"),
            night=Night(slot="2026-11-23", at=yard.NOW - timedelta(days=1)),
        )
    page = app_over(running).test_client().get(NORTH, base_url=HOST).get_data(as_text=True)
    assert "Not heard" in page
    assert "Nothing heard for 26" in page
    for absent in ("On to the limit", "Not before", ahead.CAUTION, "data-figure", "How much is left"):
        assert absent not in page, absent


def test_the_leaf_s_height_is_dimensioned_beside_its_width(client: FlaskClient) -> None:
    page = client.get(NORTH, base_url=HOST).get_data(as_text=True)
    assert ">2150</text>" in page
    assert ">1050</text>" in page


def test_what_is_missing_is_itemised(two_doors: Engine) -> None:
    wide: dict[str, object] = {
        "half_width": 0.14,
        "collinearity": 1.3,
        "help": "drift",
        "drift_per_year": 0.05,
    }
    with session_of(two_doors) as session:
        found = find_door(session, "saltmarsh-yard/north")
        slot = Slot(scope=scope_of(found.id), slot="2026-11-24", looked=yard.NOW, until_ms=0, took_s=0.1)
        made = {"droop": yard.result("droop", status="refused", facts=wide)}
        save(session, Inspection(findings=(), series=looks_of(made)), slot, door_id=found.id)
    text = text_of(app_over(two_doors).test_client().get(NORTH, base_url=HOST).get_data(as_text=True))
    assert "What is missing" in text
    assert "What would help: a gauge that drifts less" in text
    assert "Not known yet" in text
    assert "First year" not in text


def test_a_door_of_twenty_years_reads_the_days_it_draws_and_no_others(
    two_doors: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[int] = []
    unpacked = results._unpacked

    def counted(held: bytes) -> Parts:
        read.append(1)
        return unpacked(held)

    monkeypatch.setattr(results, "_unpacked", counted)
    client = app_over(two_doors).test_client()
    for path in (NORTH, "/figures/saltmarsh-yard/north/trend.json", "/api/v1/doors/saltmarsh-yard/north"):
        read.clear()
        assert client.get(path, base_url=HOST).status_code == 200
        assert len(read) == 1, path
