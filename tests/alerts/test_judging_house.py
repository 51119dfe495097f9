"""What the published verdicts leave open about gauges, boxes and the house."""

import pytest

from server.alerts import judging_house
from server.alerts.rules import STEPS, Limits

LIMITS = Limits()
DOOR = ("joint", "leaf", "frame", "step", "slam", "check", "look", "test", "news")


@pytest.mark.parametrize("code", [code for code, step in STEPS.items() if step.topic not in DOOR])
def test_no_evidence_is_no_verdict(code: str) -> None:
    assert STEPS[code].verdict({}, LIMITS) == "unjudged"


@pytest.mark.parametrize(
    ("silent", "boxes", "said"),
    [(3, 6, "holds"), (3, 7, "gone"), (2, 2, "gone"), (0, 0, "gone"), (50, 50, "holds")],
)
def test_a_site_is_silent_from_three_boxes_and_half_of_all(silent: int, boxes: int, said: str) -> None:
    assert judging_house.site_silent({"silent": silent, "boxes": boxes}, LIMITS) == said


def test_a_box_that_is_overdue_for_an_unknown_time_is_not_judged() -> None:
    assert judging_house.node_silent({"overdue": True, "silent_h": None}, LIMITS) == "unjudged"
    assert judging_house.node_silent({"overdue": None, "silent_h": 99.0}, LIMITS) == "unjudged"


@pytest.mark.parametrize(
    ("evidence", "said"),
    [
        ({"suspect": True}, "holds"),
        ({"suspect": None, "max_w": 1.0}, "unjudged"),
        ({"max_w": 9.0}, "unjudged"),
    ],
)
def test_a_gauge_is_in_doubt_by_the_kits_word(evidence: dict[str, object], said: str) -> None:
    assert judging_house.gauge_doubt(evidence, LIMITS) == said


def test_a_refused_write_is_full_whatever_is_free() -> None:
    assert judging_house.disk_full({"refused": True}, LIMITS) == "at_once"
    assert judging_house.backup_bad({"verified": False}, LIMITS) == "holds"
