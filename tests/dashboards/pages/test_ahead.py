"""Dates of a limit: the earliest first, then the range, never a middle one."""

import pytest

from dashboards.pages import ahead, words
from dashboards.pages.facts import DoorFacts
from dashboards.pages.movement import Ahead
from server.inspection.results import SeriesResult
from tests.dashboards import yard

NB = words.NBSP
TODAY = yard.TODAY  # 24 November 2026


def running(key: str, **other: object) -> SeriesResult:
    facts: dict[str, object] = {"alarm": True, "forecast": {"earliest": TODAY + 160, "latest": TODAY + 700}}
    return yard.result(key, rate=0.02, half=0.01, swing=0.04, start=0.03, facts=facts | other)


def told_of(*made: SeriesResult) -> DoorFacts:
    return yard.told(results={one.key: one for one in made}, state="opening")


@pytest.mark.parametrize(
    ("earliest", "latest", "is_turn", "text"),
    [
        (160, 700, False, f"Not before May{NB}2027; between then and October{NB}2028, if it goes on so."),
        (160, None, False, f"Not before May{NB}2027; how long after is not known yet."),
        (160, 700, True, f"Not before May{NB}2027; how long after is not known yet."),
        (
            8,
            12,
            False,
            f"Not before 2{NB}December{NB}2026; between then and 6{NB}December{NB}2026, if it goes on so.",
        ),
        (0, 100, False, f"It may be at its limit any day now; by March{NB}2027, if it goes on so."),
        (-1, None, False, "It may be at its limit any day now; how long it still has is not known."),
    ],
)
def test_a_date_in_words(earliest: int, latest: int | None, is_turn: bool, text: str) -> None:
    span = Ahead(earliest=TODAY + earliest, latest=None if latest is None else TODAY + latest)
    assert ahead.date_words(span, today=TODAY, is_turn=is_turn) == text


def test_the_leaf_s_date_says_that_a_damp_season_comes_sooner() -> None:
    told = told_of(running("droop"), running("turn:lock-hinge"))
    assert told.leaf is not None
    assert told.worst is not None
    assert (ahead.bar_date(told.leaf, today=TODAY) or "").endswith(ahead.STAYS_ALONE)
    assert ahead.STAYS_ALONE not in (ahead.bar_date(told.worst, today=TODAY) or "")


def test_without_an_alarm_there_is_no_date() -> None:
    told = told_of(running("droop", alarm=False), running("turn:lock-hinge", alarm=None))
    assert told.leaf is not None
    assert ahead.bar_date(told.leaf, today=TODAY) is None
    assert not ahead.has_date(told)
    assert ahead.others(told) == []


def test_an_alarm_without_a_date_says_that_it_has_none() -> None:
    told = told_of(running("droop", forecast=None))
    assert told.leaf is not None
    assert ahead.bar_date(told.leaf, today=TODAY) == ahead.UNDATED
    assert not ahead.has_date(told)


def test_the_joint_under_an_alarm_stands_on_the_bar_before_one_nearer_its_limit() -> None:
    near = yard.result("turn:top-hinge", facts={"stays": 0.29, "limit": 0.3, "alarm": False})
    told = told_of(near, running("turn:lock-hinge"))
    assert told.worst is not None
    assert told.worst.movement.key == "turn:lock-hinge"


def test_a_joint_whose_rate_is_not_told_keeps_its_date() -> None:
    facts: dict[str, object] = {"alarm": True, "forecast": {"earliest": TODAY + 160, "latest": None}}
    wide = yard.result("opening:top-hinge", status="refused", facts=facts | {"half_width": 0.3})
    told = told_of(wide)
    assert told.worst is None
    (one,) = ahead.others(told)
    assert one.what == "Top rail, hinge side: mean opening"
    assert one.said == f"Not before May{NB}2027; how long after is not known yet."
    assert ahead.has_date(told)
