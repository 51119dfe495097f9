"""One series as the pages need it."""

import numpy as np
import pytest

from dashboards.pages.movement import Ahead, Shift, movement
from tests.dashboards import yard

DATED = {"forecast": {"earliest": 21000, "latest": 21500}}


@pytest.mark.parametrize(
    ("other", "why"),
    [
        ({"first_day": 100, "last_day": 463}, "year"),
        ({"days_seen": 179}, "year"),
        ({"collinearity": 4.1, "half_width": 0.2}, "season"),
        ({"collinearity": 1.1, "half_width": 0.14}, "wide"),
        ({"told": "not_told"}, "kit"),
        ({}, "other"),
    ],
)
def test_why_no_rate_is_said(other: dict[str, object], why: str) -> None:
    refused = movement(yard.result("droop", status="refused", facts=other))
    assert refused.why == why
    assert not refused.is_told
    assert refused.split is None
    assert refused.shown_parts is not None
    assert not np.isfinite(refused.shown_parts.stays).any()
    assert np.isfinite(refused.shown_parts.seen).any()


@pytest.mark.parametrize(
    ("other", "ahead"),
    [
        (DATED | {"alarm": True}, Ahead(earliest=21000, latest=21500)),
        (
            {"alarm": True, "forecast": {"earliest": 21000, "latest": None}},
            Ahead(earliest=21000, latest=None),
        ),
        (DATED | {"alarm": False}, None),
        (DATED | {"alarm": None}, None),
        (DATED, None),
        ({"alarm": True, "forecast": None}, None),
        ({"alarm": True, "forecast": {"earliest": None, "latest": 21500}}, None),
    ],
)
def test_there_is_a_date_with_a_standing_alarm_alone(other: dict[str, object], ahead: Ahead | None) -> None:
    assert movement(yard.result("droop", facts=other)).ahead == ahead


def test_a_series_that_is_not_told_keeps_its_date() -> None:
    refused = movement(yard.result("turn:lock-hinge", status="refused", facts=DATED | {"alarm": True}))
    assert not refused.is_told
    assert refused.ahead is not None


def test_steps_stand_oldest_first() -> None:
    found: dict[str, object] = {"found_steps": [[20500, -0.1, 0.02], [20100, 0.2, 0.01]]}
    assert movement(yard.result("droop", facts=found)).steps == (
        Shift(day=20100, size=0.2),
        Shift(day=20500, size=-0.1),
    )
    assert movement(yard.result("droop")).steps == ()
