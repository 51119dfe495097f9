"""The file of a load test: its readings come in pairs, cycle by cycle, from the gauges that are meant."""

import pytest

from server.doors.load_file import EXAMPLE, Consent, read_load_file
from server.errors import FileError
from tests.doors.door_files import complaint_of


def test_the_example_is_read() -> None:
    read = read_load_file(EXAMPLE, where="load.toml")
    assert (read.day.isoformat(), read.place, read.state) == ("2026-05-02", "hung", "glued")
    assert (read.mass_kg, read.strap_mm, read.moisture_change_pct, read.repeat_mm) == (10, 0, 0.1, 0.005)
    assert (read.consent, read.diagonals_mm) == (None, None)
    assert len(read.loaded_mm["diag-fall"]) == len(read.unloaded_mm["diag-rise"]) == 6


def test_consent_and_diagonals_are_read() -> None:
    text = EXAMPLE.replace("# [consent]", "[consent]").replace("# by =", "by =").replace("# on =", "on =")
    text = text.replace("# words =", "words =").replace("# [diagonals]", "[diagonals]")
    text = text.replace("# x_mm = [60, 990]", "x_mm = [990, 60]").replace("# y_mm", "y_mm")
    read = read_load_file(text, where="load.toml")
    assert read.consent == Consent(by="...", on="2026-04-20", words="...")
    assert read.diagonals_mm == ((60, 990), (100, 2050))


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("mass_kg = 10", "mass_kg = 25", "25 came, a number from 0.1 to 10 is needed"),
        ('place = "hung"', 'place = "bench"\nrepeat = 1', "no such key; did you mean repeat_mm"),
        ('day = "2026-05-02"', 'day = "2 May"', "a day such as 2026-05-02 is needed"),
        ("diag-fall = [0.000, ", "diag-fall = [", "one reading a gauge and cycle is needed"),
        ("[loaded]\ndiag-fall", "[loaded]\nhead-latch", "the same gauges on both are needed"),
    ],
)
def test_what_cannot_be_used_is_said(before: str, after: str, said: str) -> None:
    assert said in complaint_of(read_load_file, EXAMPLE, before, after)


def test_four_cycles_are_too_few() -> None:
    text = EXAMPLE.split("[unloaded]")[0] + "[unloaded]\na = [0, 0, 0, 0]\n[loaded]\na = [1, 1, 1, 1]\n"
    with pytest.raises(FileError, match="4 cycles came, 5 or more are needed"):
        read_load_file(text, where="load.toml")


def test_the_bench_takes_the_two_diagonals() -> None:
    text = EXAMPLE.replace('"hung"', '"bench"', 1).replace("diag-rise", "head-latch")
    with pytest.raises(FileError, match="diag-fall and diag-rise are needed on the bench"):
        read_load_file(text, where="load.toml")
