"""The page on which a feeler check is entered: its form, what was kept, what is refused."""

import re
from datetime import timedelta

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine

from dashboards.pages import words
from dashboards.pages.feeler import rows_of
from server.database import session_of
from server.doors.checks import FeelerCheck, checks_of
from tests.dashboards import yard
from tests.dashboards.conftest import HOST, app_over

PATH = "/doors/saltmarsh-yard/north/feeler"
FELT = {"gauge": "latch-top", "first": "0,35", "second": "0.35", "third": "0.3", "step": "0.05", "by": "Anna"}


def sent(client: FlaskClient, **form: str | None) -> tuple[int, str]:
    """Fill the page's own form and send it; the status, and the page after it. None: left out."""
    page = client.get(PATH, base_url=HOST).get_data(as_text=True)
    token = re.search(r'name="csrf_token" value="([^"]+)"', page)
    assert token is not None
    filled = {name: value for name, value in {**FELT, **form}.items() if value is not None}
    answer = client.post(PATH, data={"csrf_token": token[1], **filled}, base_url=HOST)
    return answer.status_code, client.get(PATH, base_url=HOST).get_data(as_text=True)


def test_a_check_is_kept_as_felt_now(two_doors: Engine) -> None:
    status, page = sent(app_over(two_doors).test_client())
    assert status == 303
    with session_of(two_doors) as session:
        (one,) = checks_of(session, 1)
    at_ms = round(yard.NOW.timestamp() * 1000)
    assert one == FeelerCheck(
        gauge="latch-top",
        t_ms=at_ms,
        values_mm=(0.35, 0.35, 0.3),
        step_mm=0.05,
        enters=True,
        by="Anna",
        added_ms=at_ms,
    )
    assert '<td class="n" data-l="Felt, mm">0.35</td>' in page


def test_where_no_leaf_goes_in_one_figure_is_enough(two_doors: Engine) -> None:
    status, page = sent(app_over(two_doors).test_client(), closed="1", first="0.03", second="", third="")
    assert status == 303
    assert '<td class="n" data-l="Felt, mm">under 0.03</td>' in page


def test_the_page_offers_what_a_feeler_reaches(two_doors: Engine) -> None:
    page = app_over(two_doors).test_client().get(PATH, base_url=HOST).get_data(as_text=True)
    offered = set(re.findall(r'<option value="([a-z-]+)"', page))
    assert {"latch-top", "head-latch", "lock-hinge-top"} <= offered
    assert not offered & {"diag-rise", "air-rh", "shut"}
    assert "Nothing yet." in page
    assert f'href="{PATH}"' in app_over(two_doors).test_client().get("/alerts", base_url=HOST).get_data(
        as_text=True
    )


@pytest.mark.parametrize(
    ("form", "status"),
    [
        ({"gauge": "air-rh"}, 422),
        ({"third": ""}, 400),
        ({"third": "thin"}, 400),
        ({"third": "nan"}, 422),
        ({"third": "99"}, 422),
        ({"by": ""}, 422),
        ({"step": "1"}, 422),
        ({"more": "1"}, 400),
        ({"csrf_token": "forged"}, 400),
    ],
)
def test_what_is_refused_keeps_nothing(two_doors: Engine, form: dict[str, str], status: int) -> None:
    came, page = sent(app_over(two_doors).test_client(), **form)
    assert (came, "Nothing yet." in page) == (status, True)


def test_a_door_that_is_not_there(two_doors: Engine) -> None:
    answer = app_over(two_doors).test_client().get(PATH.replace("north", "west"), base_url=HOST)
    assert answer.status_code == 404


def test_three_that_differ_say_so() -> None:
    one = FeelerCheck(
        gauge="lock-hinge-top",
        t_ms=round((yard.NOW - timedelta(days=1)).timestamp() * 1000),
        values_mm=(0.3, 0.3, 0.4),
        step_mm=0.05,
        enters=True,
        by="Anna",
        added_ms=0,
    )
    (row,) = rows_of([one], yard.ZONE)
    assert row.day == words.NBSP.join(("23", "November", "2026"))
    assert row.note.startswith("The three differ by 0.10 mm: feel again at one mark")
