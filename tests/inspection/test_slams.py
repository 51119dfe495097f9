"""Slams: which days are looked into, and what readings say of an instant."""

from collections.abc import Mapping

import numpy as np
import pytest

from server.inspection.slams import Readings, days_to_look_at, jump_on
from server.inspection.values import GaugeDays
from tests.inspection.doors import hung

BUILT = hung().built
STEP_MS, DAY_MS = 600_000, 86_400_000
NAMES = (
    "head-latch",
    "latch-top",
    "sill-latch",
    "lock-hinge-top",
    "lock-hinge-bottom",
    "top-hinge-top",
    "top-hinge-bottom",
)
NOON_MS = DAY_MS + DAY_MS // 2


def quiet(
    days: int = 4,
) -> dict[
    str, tuple[np.ndarray[tuple[int], np.dtype[np.int64]], np.ndarray[tuple[int], np.dtype[np.float64]]]
]:
    """Readings of every ten minutes that breathe with the day, with a gauge's noise."""
    ms, rng = np.arange(0, days * DAY_MS, STEP_MS, dtype=np.int64), np.random.default_rng(20260301)
    day = 0.02 * np.sin(2 * np.pi * ms / DAY_MS)
    return {name: (ms, 3.0 + day + rng.normal(0, 0.003, ms.size)) for name in NAMES}


def after(mm: Mapping[str, float], *, until_ms: int = 10 * DAY_MS, days: int = 4) -> Readings:
    """The same with gauges moved from noon of the second day on."""
    found = quiet(days)
    for name, by in mm.items():
        ms, value = found[name]
        found[name] = (ms, value + by * ((ms >= NOON_MS) & (ms < until_ms)))
    return found


@pytest.mark.parametrize(
    ("mm", "channels"),
    [
        ({"head-latch": 0.3, "latch-top": -0.2}, ("head-latch", "latch-top")),
        # 0.05 mrad over 170 mm are 0.0085 mm, over 90 mm 0.0045
        (
            {"head-latch": 0.3, "lock-hinge-top": 0.02},
            ("head-latch", "lock-hinge-bottom", "lock-hinge-top"),
        ),
        (
            {"lock-hinge-top": 0.03, "top-hinge-top": 0.03},
            ("lock-hinge-bottom", "lock-hinge-top", "top-hinge-bottom", "top-hinge-top"),
        ),
    ],
)
def test_a_jump_of_two_feet(mm: dict[str, float], channels: tuple[str, ...]) -> None:
    found = jump_on(BUILT, after(mm), DAY_MS, 2 * DAY_MS)
    assert found is not None
    assert (found.t_ms, found.channels) == (NOON_MS, channels)
    assert found.most_mm == pytest.approx(max(map(abs, mm.values())), abs=0.015)
    assert found.lasts_h == pytest.approx(60 - 1 / 6)


@pytest.mark.parametrize(
    "mm",
    [
        {},
        {"head-latch": 0.3},
        {"lock-hinge-top": 0.15, "lock-hinge-bottom": -0.15},
        {"head-latch": 0.3, "latch-top": 0.08},
    ],
)
def test_what_is_no_jump_of_two_feet(mm: dict[str, float]) -> None:
    assert jump_on(BUILT, after(mm), DAY_MS, 2 * DAY_MS) is None


def test_a_door_ajar_for_some_hours_is_none() -> None:
    mm = {"head-latch": 0.3, "latch-top": 0.3}
    back = NOON_MS + 6 * 3_600_000
    assert jump_on(BUILT, after(mm, until_ms=back), DAY_MS, 2 * DAY_MS) is None
    young = jump_on(BUILT, after(mm, days=2), DAY_MS, 2 * DAY_MS)
    assert young is not None
    assert young.lasts_h == pytest.approx(12 - 1 / 6)


def test_no_readings_are_no_jump() -> None:
    assert jump_on(BUILT, {}, 0, DAY_MS) is None
    few = {name: (ms[:20], value[:20]) for name, (ms, value) in quiet().items()}
    assert jump_on(BUILT, few, 0, DAY_MS) is None


@pytest.mark.parametrize(
    ("mm", "looks"),
    [
        ({"head-latch": 0.079, "latch-top": 0.08}, []),
        ({"head-latch": 0.081, "latch-top": 0.081}, [9, 8]),
        ({"head-latch": 0.081, "lock-hinge-top": 0.0069}, [9, 8]),
        ({"head-latch": 0.081, "lock-hinge-top": 0.0067}, []),
        ({"lock-hinge-top": 0.0171, "top-hinge-top": 0.0091}, [9, 8]),
        ({"lock-hinge-top": 0.0169, "top-hinge-top": 0.0091}, []),
    ],
)
def test_which_days_are_looked_into(mm: dict[str, float], looks: list[int]) -> None:
    day = np.arange(20)
    gauges = {
        name: GaugeDays(median=np.asarray(1.0 + mm.get(name, 0.0) * (day >= 9), float), n=np.full(20, 96))
        for name in NAMES
    }
    assert days_to_look_at(BUILT, gauges, day, 0) == looks
    assert days_to_look_at(BUILT, gauges, day, 9) == looks[:1]
    unheard = {
        name: GaugeDays(median=np.where(day == 10, np.nan, one.median), n=one.n)
        for name, one in gauges.items()
    }
    assert 9 not in days_to_look_at(BUILT, unheard, day, 0)
