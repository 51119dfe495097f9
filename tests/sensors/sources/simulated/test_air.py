"""The air of the yard and what the heated workshop makes of it."""

from itertools import islice
from statistics import fmean, stdev

import pytest

from sensors.sources.simulated.air import Air, air_hours, hour_of_year, inside, saturation_pa
from sensors.sources.simulated.weather import Weather

JANUARY_MS = 1_672_531_200_000  # 2023-01-01T00:00Z
JULY_MS = 1_688_169_600_000  # 2023-07-01T00:00Z


def hours(
    count: int, *, seed: int = 1, start_ms: int = JANUARY_MS, weather: Weather | None = None
) -> list[Air]:
    return list(islice(air_hours(seed=seed, start_ms=start_ms, weather=weather), count))


@pytest.mark.parametrize(("temp_c", "pascal"), [(0.01, 611.7), (10, 1228.1), (20, 2339.3), (30, 4247.0)])
def test_saturation_pressure(temp_c: float, pascal: float) -> None:
    """Against steam-table figures (IAPWS); the short form is 0.3 % low at 20 and 30 degrees C."""
    assert saturation_pa(temp_c) == pytest.approx(pascal, rel=4e-3)


def test_workshop_is_heated_to_19_and_follows_a_hot_day() -> None:
    assert inside(-5.0, 80.0)[0] == 19.0
    assert inside(27.0, 50.0)[0] == 28.0


def test_workshop_holds_the_vapour_of_outside_and_60_pa_more() -> None:
    """Steam tables: 872.6 Pa at 5 C, 2198 Pa at 19 C."""
    assert inside(5.0, 80.0)[1] == pytest.approx(100.0 * (0.8 * 872.6 + 60.0) / 2198.0, rel=3e-3)
    assert inside(30.0, 100.0)[1] <= 95.0


def test_summer_is_in_july_whenever_the_door_is_hung() -> None:
    """10.6 + 6.2 cos: 16.8 in the warmest month, 4.4 in the coldest; a month's mean is unsure by 1."""
    july = fmean(air.out_temp_c for seed in range(8) for air in hours(744, seed=seed, start_ms=JULY_MS))
    january = fmean(air.out_temp_c for seed in range(8) for air in hours(744, seed=seed))
    assert july == pytest.approx(16.7, abs=1.2)
    assert january == pytest.approx(4.4, abs=1.2)


def test_weather_wanders_by_the_sd_and_memory_it_was_given() -> None:
    """Over 300 yards at the same two hours, so that season and hour of the day drop out: sd 2.2, 60 h."""
    now = [list(islice(air_hours(seed=seed, start_ms=JANUARY_MS), 62)) for seed in range(300)]
    first, later = [row[0].out_temp_c for row in now], [row[60].out_temp_c for row in now]
    whole_sd = (2.2**2 + 0.6**2) ** 0.5
    assert stdev(first) == pytest.approx(whole_sd, rel=0.15)
    assert stdev(later) == pytest.approx(whole_sd, rel=0.15)
    shared = (2.2**2 * 2.718281828**-1 + 0.6**2) / whole_sd**2
    together = fmean((a - fmean(first)) * (b - fmean(later)) for a, b in zip(first, later, strict=True))
    assert together / (stdev(first) * stdev(later)) == pytest.approx(shared, abs=0.15)


def test_humidity_stays_within_25_and_99() -> None:
    damp = [air.out_rh_pct for air in hours(8766)]
    assert 25.0 <= min(damp) < 60.0
    assert max(damp) == 99.0


def test_file_is_repeated_from_the_hour_of_the_year() -> None:
    """Each year of it a little off, by one number for the whole year."""
    weather = Weather(first_hour=2, temp_c=tuple(range(24)), rh_pct=(50.0,) * 24)
    temps = [air.out_temp_c for air in hours(60, weather=weather)]
    shift = temps[2]
    assert [round(temp - shift, 9) for temp in temps[:5]] == [22.0, 23.0, 0.0, 1.0, 2.0]
    assert temps[26] == temps[2]
    assert shift != 0.0


def test_hour_of_year() -> None:
    assert hour_of_year(JANUARY_MS) == 0
    assert hour_of_year(JULY_MS + 5 * 3_600_000) == 181 * 24 + 5
