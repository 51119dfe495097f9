"""Missing climate: what is filled, what is masked, and that nothing looks ahead."""

import numpy as np
import pytest

from server.timber.sorption import emc_pct
from server.trend.climate import Climate, whole_climate
from tests.trend.records import air, without


def filled(days: int, *spans: tuple[int, int]) -> Climate:
    temp_c, rh_pct = air(days)
    climate = whole_climate(np.arange(days), without(temp_c, *spans), without(rh_pct, *spans))
    assert climate is not None
    return climate


def test_whole_climate_is_left_alone() -> None:
    temp_c, rh_pct = air(400)
    climate = filled(400)
    assert (climate.temp_c == temp_c).all()
    assert climate.emc_pct == pytest.approx(emc_pct(temp_c, rh_pct), abs=1e-12)
    assert not climate.masked.any()


@pytest.mark.parametrize(
    ("span", "masked", "resumed"),
    [
        ((200, 207), [], ()),
        ((200, 208), [207], (208,)),
        ((200, 212), [207, 208, 209, 210, 211], (212,)),
        ((390, 400), [397, 398, 399], ()),
    ],
)
def test_gaps_mask_from_their_eighth_day(
    span: tuple[int, int], masked: list[int], resumed: tuple[int, ...]
) -> None:
    climate = filled(400, span)
    assert np.flatnonzero(climate.masked).tolist() == masked
    assert climate.resumed == resumed


def test_a_year_fills_a_gap_with_its_season() -> None:
    temp_c, _ = air(800)
    climate = filled(800, (500, 530))
    season = 12 - 9 * np.cos(2 * np.pi * np.arange(500, 530) / 365.25)
    assert climate.temp_c[500:530] == pytest.approx(season, abs=2.0)
    assert (climate.temp_c[:500] == temp_c[:500]).all()


def test_a_short_record_fills_a_gap_with_a_straight_line() -> None:
    climate = filled(200, (100, 104))
    ends = climate.temp_c[[99, 104]]
    assert climate.temp_c[100:104] == pytest.approx(np.linspace(ends[0], ends[1], 6)[1:-1])


def test_air_that_cannot_be_counts_as_missing() -> None:
    temp_c, rh_pct = air(400)
    rh_pct[50:60] = 140.0
    climate = whole_climate(np.arange(400), temp_c, rh_pct)
    assert climate is not None
    assert climate.resumed == (60,)
    assert np.isfinite(climate.emc_pct).all()


def test_no_climate_at_all() -> None:
    nothing = np.full(400, np.nan)
    assert whole_climate(np.arange(400), nothing, nothing) is None
    assert whole_climate(np.arange(400), air(400)[0], nothing) is None
