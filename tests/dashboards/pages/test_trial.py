"""Pages of trials: the planner, the list, one trial and its sheet; none of them can change anything."""

import hashlib
import html
import json
import re

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from dashboards.pages.trial import ask_of
from server.database import session_of
from server.trend.trial_error import DROOP_MM, TURN_MRAD
from server.trials.store import declare
from server.trials.tables import TrialLookRow, TrialRecordRow
from tests.dashboards.conftest import HOST, app_over
from tests.fakes.clock import HandClock
from tests.trials.yard import declaration


@pytest.fixture
def reader(declared: Engine) -> FlaskClient:
    """A reader of the pages of the two doors and their trial."""
    return app_over(declared).test_client()


def text_of(reader: FlaskClient, path: str, status: int = 200) -> str:
    answer = reader.get(path, base_url=HOST)
    assert answer.status_code == status
    return answer.get_data(as_text=True)


def seal_of(engine: Engine) -> str:
    with Session(engine) as session:
        return session.scalars(select(TrialRecordRow.seal)).one()


def test_the_list_has_each_trial_with_its_word(reader: FlaskClient, declared: Engine) -> None:
    page = text_of(reader, "/trials")
    assert f'href="/trials/{seal_of(declared)[:8]}"' in page
    assert "\u2068South\u2069’s joint turns more" in page
    assert "One trial is sealed." in page


def test_the_planner_answers_before_anything_is_declared(empty_client: FlaskClient) -> None:
    page = text_of(empty_client, "/trials?pairs=1&years=6&difference=0.10")
    # trial of 1 pair, 6 years: seen 4 of 5 from 0.088 mm; 0.10 not before 2.5, even by 4.1 (test_trial_plan)
    assert "0.09 mm a year" in page
    assert "can’t be told before year\u00a02.5" in page
    assert "as likely as not told by year\u00a04.1" in page
    assert "No trial is sealed yet." in page
    assert "One pair tells a failing joint from a sound one" in page
    kind = text_of(empty_client, "/trials?pairs=3&years=6&difference=0.10&moment=69")
    assert "Of this way of joining it tells by the end in" in kind


def test_a_moment_makes_it_a_turn() -> None:
    given = {"pairs": "2", "years": "6", "difference": "0,1", "moment": ""}
    ask, quantity = ask_of(given)
    assert (ask.pairs, ask.difference, ask.error, quantity) == (2, 0.1, DROOP_MM, "droop")
    turn, quantity = ask_of(given | {"moment": "50"})
    assert (turn.error, quantity) == (TURN_MRAD.times(2), "turn_per_100_n_m")


@pytest.mark.parametrize("query", ["pairs=0", "pairs=1.5", "years=40", "difference=x", "moment=-1"])
def test_what_cannot_be_planned_is_refused(empty_client: FlaskClient, query: str) -> None:
    assert "plan a trial" in text_of(empty_client, f"/trials?{query}", 422)


def test_one_trial_planner_first_then_record_seal_and_nights(reader: FlaskClient, declared: Engine) -> None:
    seal = seal_of(declared)
    page = text_of(reader, f"/trials/{seal[:8]}")
    order = ["What it could tell", "As it was declared", "Seal", "Its nights", "Two doors are two doors"]
    places = [page.index(one) for one in order]
    assert places == sorted(places)
    assert "three night" not in page
    assert "3 nights were looked at" in page
    assert "lock rail, hinge side, carrying 71.73\u00a0N·m" in page
    assert "</form>" not in page


def test_the_sheet_lets_anyone_reckon_the_seal(reader: FlaskClient, declared: Engine) -> None:
    seal = seal_of(declared)
    page = text_of(reader, f"/trials/{seal}/sheet")
    record = html.unescape(re.search(r'<pre class="came small">(.*?)</pre>', page, re.S)[1])  # type: ignore[index]  # it is there
    assert hashlib.sha256(record.encode()).hexdigest() == seal
    assert "".join(re.findall(r"<span>([0-9a-f]{4})</span>", page)) == seal
    assert "Seen by" in page
    assert "http" not in re.sub(r"<svg.*?</svg>", "", page, flags=re.S)  # nothing fetched from elsewhere


def test_the_export_is_whole(reader: FlaskClient, declared: Engine) -> None:
    answer = reader.get(f"/trials/{seal_of(declared)[:8]}/trial.json", base_url=HOST)
    told = json.loads(answer.get_data())
    assert told["seal"] == seal_of(declared)
    assert len(told["looks"]) == 3
    assert "attachment" in answer.headers["Content-Disposition"]


def test_a_draft_is_shown_as_one(declared: Engine, reader: FlaskClient) -> None:
    with session_of(declared) as session:
        declare(session, declaration(question="Is it <b>the glue</b>?"), by="M. Hale", clock=HandClock())
    page = text_of(reader, "/trials")
    assert "Is it &lt;b&gt;the glue&lt;/b&gt;?" in page
    assert "It counts for nothing until it is sealed" in page


@pytest.mark.parametrize("path", ["/trials/0000000000", "/trials/../x", "/trials/12345678/sheet"])
def test_an_unknown_trial_is_refused(reader: FlaskClient, path: str) -> None:
    assert reader.get(path, base_url=HOST).status_code == 404


@pytest.mark.parametrize("method", ["post", "put", "patch", "delete"])
def test_no_page_takes_anything_about_a_trial(reader: FlaskClient, declared: Engine, method: str) -> None:
    def kept() -> list[object]:
        with Session(declared) as session:
            rows = [*session.scalars(select(TrialRecordRow)), *session.scalars(select(TrialLookRow))]
            return [{key: value for key, value in vars(row).items() if key[0] != "_"} for row in rows]

    before, seal = kept(), seal_of(declared)
    app = reader.application
    app.config["WTF_CSRF_ENABLED"] = False
    ways = [
        rule
        for rule in app.url_map.iter_rules()
        if rule.rule.startswith(("/trials", "/compare", "/api/v1/compare"))
    ]
    assert len(ways) == 6
    assert all(rule.methods is not None and rule.methods <= {"GET", "HEAD"} for rule in ways)
    for rule in ways:
        path = rule.rule.replace("<seal>", seal)
        answer = getattr(reader, method)(path, base_url=HOST, data={"band": "9", "word": "x"})
        assert answer.status_code == 405
    assert kept() == before
