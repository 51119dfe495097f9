"""Weather files: the plain form, the TMY3 form, gaps, and what is refused."""

from pathlib import Path

import pytest

from sensors.sources.simulated.weather import read_weather
from tests.sensors.sources.simulated.refusals import refused

TMY3 = """000000,"SALTMARSH",XX,-5.0,36.0,-79.0,273
Date (MM/DD/YYYY),Time (HH:MM),GHI (W/m^2),Dry-bulb (C),RHum (%)
"""


def plain(hours: list[int], *, temp_c: str = "5.0", rh_pct: str = "80") -> str:
    rows = [f"2020-02-{1 + hour // 24:02d}T{hour % 24:02d}:00,{temp_c},{rh_pct}\n" for hour in hours]
    return "time,t_c,rh_pct\n" + "".join(rows)


def written(folder: Path, text: str) -> Path:
    path = folder / "weather.csv"
    path.write_text(text, "utf-8")
    return path


def test_plain_file_starts_at_its_own_hour_of_the_year(tmp_path: Path) -> None:
    weather = read_weather(written(tmp_path, plain(list(range(48)))))
    assert weather.first_hour == 31 * 24
    assert (len(weather.temp_c), weather.temp_c[0], weather.rh_pct[47]) == (48, 5.0, 80.0)
    assert weather.notes == ()


def test_time_with_an_offset_is_turned_to_utc(tmp_path: Path) -> None:
    rows = [f"2020-02-01T{hour:02d}:00+01:00,1,50\n" for hour in range(24)]
    assert read_weather(written(tmp_path, "time,t_c,rh_pct\n" + "".join(rows))).first_hour == 31 * 24 - 1


def test_short_gap_is_filled_on_a_line_and_said(tmp_path: Path) -> None:
    text = plain(list(range(30))) + "2020-02-02T09:00,9.0,60\n"
    weather = read_weather(written(tmp_path, text))
    assert weather.temp_c[29:] == (5.0, 6.0, 7.0, 8.0, 9.0)
    assert weather.rh_pct[29:] == (80.0, 75.0, 70.0, 65.0, 60.0)
    assert weather.notes == ("3 h missing after 2020-02-02T05:00:00+00:00; filled",)


def test_tmy3_hours_end_at_their_stamp(tmp_path: Path) -> None:
    """24:00 belongs to the day it ends; months of unlike years follow one another."""
    january = [f"01/31/1988,{hour:02d}:00,0,{hour}.0,70\n" for hour in range(1, 25)]
    february = [f"02/01/1996,{hour:02d}:00,0,{-hour}.0,40\n" for hour in range(1, 25)]
    weather = read_weather(written(tmp_path, TMY3 + "".join(january + february)))
    assert weather.first_hour == 30 * 24
    assert weather.temp_c[22:26] == (23.0, 24.0, -1.0, -2.0)


@pytest.mark.parametrize(
    ("text", "asked", "needed", "came"),
    [
        ("when,t\n1,2\n", "weather file", "header", "when,t"),
        (plain(list(range(5))), "weather file", "24 hours", "5"),
        (plain(list(range(24)), temp_c="412"), "line 2: temperature", "-60 to 60", "412"),
        (plain(list(range(24)), rh_pct="wet"), "line 2: humidity", "0 to 100", "wet"),
        (plain(list(range(24)), rh_pct="nan"), "line 2: humidity", "0 to 100", "nan"),
        (plain([*range(24), 23]), "line 26: time", "in order", "23:00"),
        (plain([*range(24), 40]), "line 26", "gaps of at most 6 h", "16 h missing"),
        (plain([0]) + "2020-02-01T01:30,5,80\n" * 30, "line 3: time", "whole hours", "01:30"),
        (plain([0]) + "yesterday,5,80\n", "line 3: time", "ISO 8601", "yesterday"),
        (plain([0]) + "2020-02-01T01:00,5\n", "line 3", "time, temperature", "2 fields"),
        (TMY3 + "13/41/1988,01:00,0,5,70\n", "line 3", "MM/DD/YYYY", "13/41"),
    ],
)
def test_refuses(tmp_path: Path, text: str, asked: str, needed: str, came: str) -> None:
    with refused(asked=asked, needed=needed, came=came):
        read_weather(written(tmp_path, text))


def test_refuses_a_file_that_is_not_there(tmp_path: Path) -> None:
    with refused(asked="weather file", needed="opens", came="No such file"):
        read_weather(tmp_path / "none.csv")
