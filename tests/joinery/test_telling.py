"""The reason why a movement is not told names what would part it."""

import pytest

from server.joinery.leaf import Told
from server.joinery.telling import HEAD_DROPS, LEANS, NO_GAUGES, TILT_ALONE, TOO_FEW, why_not_told

GAPS = ("head", "head", "latch", "latch")


@pytest.mark.parametrize(
    ("name", "verdict", "kinds", "opening", "starts"),
    [
        ("rack", "usable", GAPS, "rigid", ""),
        ("sag", "not_told", (), "rigid", NO_GAUGES),
        ("sag", "not_told", ("tilt",), "rigid", TILT_ALONE),
        ("rack", "not_told", ("tilt", "tilt"), "leans", TILT_ALONE),
        ("rack", "not_told", GAPS, "leans", LEANS),
        ("droop", "not_told", GAPS, "leans", LEANS),
        ("rack", "not_told", GAPS, "head_drops", HEAD_DROPS),
        ("rack", "trend_only", (*GAPS, "sill"), "head_drops", "one day's number is good to 0.100 mm"),
        ("sag", "not_told", ("head",), "leans", TOO_FEW["sag"]),
        ("droop", "not_told", ("latch", "latch", "diag", "diag"), "leans", TOO_FEW["droop"]),
        ("rack", "not_told", ("latch", "latch"), "rigid", TOO_FEW["rack"]),
    ],
)
def test_reason(name: str, verdict: Told, kinds: tuple[str, ...], opening: str, starts: str) -> None:
    said = why_not_told(name, verdict, kinds, opening=opening, sd_mm=0.1)
    assert said.startswith(starts)
    assert bool(said) is bool(starts)
