"""How a door is used, in one line."""

from sqlalchemy import Engine

from dashboards.pages.use_told import use_line, use_words
from server.database import Session
from server.inspection.use import UseSeen
from tests.dashboards import yard
from tests.dashboards.conftest import app_over


def test_openings_and_the_hardest_slam() -> None:
    day = yard.TODAY - 52
    seen = UseSeen(openings_a_day=31.4, is_at_least=False, hardest_m_s2=14.23, hardest_day=day)
    assert use_words(seen) == (
        "Opened about 31 times a day. "
        "Its hardest slam of the year was on 3\u00a0October\u00a02026, 14.2\u00a0m/s²."
    )


def test_a_counter_that_fell_back_counts_at_least() -> None:
    seen = UseSeen(openings_a_day=1.2, is_at_least=True, hardest_m_s2=None, hardest_day=None)
    assert use_words(seen) == "Opened at least about 1 time a day."


def test_a_counter_that_bounces_is_said() -> None:
    seen = UseSeen(
        openings_a_day=60.0, is_at_least=False, hardest_m_s2=None, hardest_day=None, bouncing_days=2
    )
    assert use_words(seen) == (
        "Opened about 60 times a day. On 2 days over 5000 were counted: the counter bounces, or the door "
        "bangs in a gale."
    )


def test_a_door_without_a_counter_has_no_line(two_doors: Engine) -> None:
    with app_over(two_doors).test_request_context(), Session(two_doors) as session:
        assert use_line(session, yard.told()) == ""
