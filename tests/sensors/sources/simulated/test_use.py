"""Use of a simulated door: counted whatever the step, as often as said, its slams among the peaks."""

from itertools import islice, takewhile
from statistics import fmean

import pytest

from sensors.sources.simulated.gauges import DAY_MS, is_working_hour
from sensors.sources.simulated.movement import Slam
from sensors.sources.simulated.use import (
    AT_NIGHT_AN_HOUR,
    BLOW_M_S2,
    OPENINGS_A_DAY,
    RANGE_M_S2,
    STILL_M_S2,
    UseMeter,
    closings,
)

START_MS = 1_672_531_200_000  # 2023-01-01T00:00Z, a Sunday
SLAM = Slam(day=10.4, hinge_mm=0.0, rack_mrad=0.0, turn_mrad=0.0)


def meter(*slams: Slam, door: str = "north") -> UseMeter:
    return UseMeter(closings(seed=1, door=door, start_ms=START_MS, slams=slams))


def test_count_and_peak_are_the_same_whatever_the_step() -> None:
    fine, coarse = meter(), meter()
    peak = 0.0
    for ms in range(START_MS, START_MS + 30 * DAY_MS + 1, 600_000):
        count, greatest = fine.upto(ms)
        peak = max(peak, greatest)
        if (ms - START_MS) % 5_400_000 == 0:
            assert coarse.upto(ms) == (count, peak)
            peak = 0.0
    assert fine.count > 600


@pytest.mark.parametrize("door", ["north", "south"])
def test_a_working_day_has_its_openings(door: str) -> None:
    """Mean over 800 days: busy days have a log-normal mean exp(0.25**2 / 2) above 1, sd of the mean 1 %."""
    days = 800
    found = takewhile(
        lambda each: each[0] < START_MS + days * DAY_MS, closings(seed=3, door=door, start_ms=START_MS)
    )
    moments = [ms for ms, _ in found]
    at_work = [ms for ms in moments if is_working_hour(ms)]
    working_days = sum(is_working_hour(START_MS + day * DAY_MS + DAY_MS // 2) for day in range(days))
    assert moments == sorted(moments)
    assert len(at_work) / working_days == pytest.approx(OPENINGS_A_DAY[door] * 1.0317, rel=0.04)
    other_hours = days * 24 - working_days * 10
    assert (len(moments) - len(at_work)) / other_hours == pytest.approx(AT_NIGHT_AN_HOUR, rel=0.25)


def test_peaks_lie_between_stillness_and_the_meter_s_range() -> None:
    peaks = [peak for _, peak in islice(closings(seed=1, door="south", start_ms=START_MS), 20_000)]
    assert max(peaks) <= RANGE_M_S2
    assert fmean(peaks) == pytest.approx(4.43, rel=0.03)  # 4 exp(0.45**2 / 2)
    assert meter().upto(START_MS) == (0, STILL_M_S2)


def test_a_slam_is_the_hardest_closing_of_its_day() -> None:
    slammed, plain = meter(SLAM), meter()
    for day in range(1, 21):
        end = START_MS + day * DAY_MS
        (count, peak), (other, usual) = slammed.upto(end), plain.upto(end)
        assert count - other == (day > 10)
        assert (peak, usual < BLOW_M_S2) == (BLOW_M_S2 if day == 11 else usual, True)
