"""What the published verdicts leave open about doors: no evidence at all, a maker's own rack limit."""

import pytest

from server.alerts import judging
from server.alerts.rules import STEPS, Limits

LIMITS = Limits()
DOOR = ("joint", "leaf", "frame", "step", "slam", "check", "look", "test")


@pytest.mark.parametrize("code", [code for code, step in STEPS.items() if step.topic in DOOR])
def test_no_evidence_is_no_verdict(code: str) -> None:
    assert STEPS[code].verdict({}, LIMITS) == "unjudged"


@pytest.mark.parametrize(
    ("stays", "said"), [(0.30, "holds"), (0.29, "between"), (0.241, "between"), (0.239, "gone")]
)
def test_a_makers_rack_limit_takes_its_clearing_along(stays: float, said: str) -> None:
    evidence = {"rack_stays_mm": stays, "rack_sd_mm": 0.05, "rack_limit_mm": 0.30}
    assert judging.leaf_over(evidence, LIMITS) == said


@pytest.mark.parametrize(
    ("evidence", "said"),
    [
        ({"found": True}, "holds"),
        ({"found": False}, "gone"),
        ({"found": True, "logged": True}, "gone_at_once"),
        ({"found": None}, "unjudged"),
    ],
)
def test_a_step_is_found_or_logged(evidence: dict[str, object], said: str) -> None:
    assert judging.step_unlogged(evidence, LIMITS) == said


def test_a_trend_that_gives_no_alarm_leaves_the_turn_to_decide() -> None:
    assert judging.joint_opening({"turn_stays_mrad": 0.2, "turn_low_mrad": 0.15}, LIMITS) == "holds"
    assert judging.joint_opening({}, LIMITS) == "unjudged"


def test_news_hold_when_found() -> None:
    assert judging.told({}, LIMITS) == "at_once"
