"""The correction of a drifting clock against the published cases."""

import pytest

from sensors.message.clock import corrected, is_suspect
from tests.sensors.message.worlds import Case, lines

CASES = lines("clock.jsonl")


def test_the_file_of_cases_is_whole() -> None:
    assert len(CASES) == 8


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_published(case: Case) -> None:
    t0_ms, t1_ms, offset_ms = case["clk"]
    fix = (t0_ms, t1_ms, offset_ms)
    assert corrected(case["ms"], fix, case["ppm"]) == case["corrected"]
    assert is_suspect(fix, case["ppm"]) == case["suspect"]


def test_no_span_corrects_nothing() -> None:
    assert corrected(1000, (1000, 1000, 5)) is None


def test_before_the_span() -> None:
    assert corrected(999, (1000, 100000, 5)) is None
