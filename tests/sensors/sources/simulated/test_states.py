"""Given movements: read from a file to the last bit, each until the next, refused line by line."""

from pathlib import Path
from random import Random

import pytest

from sensors.sources.simulated.leaf import Movement
from sensors.sources.simulated.states import HEADER, read_states
from tests.sensors.sources.simulated.refusals import refused

ROW = "0.5,0.1,-0.2,0.001,-0.002,0.0024,0.0001,0.0002,0.00005"


def written(folder: Path, *rows: str, header: str = ",".join(HEADER)) -> Path:
    path = folder / "states.csv"
    path.write_text("\n".join((header, *rows)) + "\n", "utf-8")
    return path


def test_a_row_is_a_movement_from_its_day_until_the_next(tmp_path: Path) -> None:
    given = read_states(written(tmp_path, ROW, "2,0,0,0,0,0,0,0,0"))
    assert given.at(0.49) == Movement()
    assert given.at(2.0) == given.at(1e4) == Movement()
    for day in (0.5, 1.99):
        assert given.at(day) == Movement(
            u_mm=0.1,
            v_mm=-0.2,
            phi_rad=0.001,
            gamma_rad=-0.002,
            stile_strain=0.0024 * 1050.0 / 240.0,  # growth of the width is all of the two stiles' own
            grain_strain=0.00005,
            lean_rad=0.0001,
            head_rad=0.0002,
        )


def test_numbers_are_read_to_the_last_bit(tmp_path: Path) -> None:
    rng = Random(7)
    rows = [[float(k), *(rng.gauss(0.0, 1e-3) for _ in HEADER[1:])] for k in range(50)]
    given = read_states(written(tmp_path, *(",".join(map(repr, row)) for row in rows)))
    assert [(move.u_mm, move.head_rad) for move in given.moves] == [(row[1], row[7]) for row in rows]


@pytest.mark.parametrize(
    ("rows", "asked", "needed"),
    [
        ((), "states file", "a row or more"),
        ((ROW[:-8],), "line 2", "9 numbers"),
        ((ROW, ROW), "line 3", "a later day"),
        ((ROW.replace("0.0024", "nan"),), "line 2: eps", "a number in"),
        ((ROW.replace("0.0024", "wide"),), "line 2: eps", "a number in"),
        ((ROW.replace("-0.2", "-51"),), "line 2: v_mm", "-50 to 50"),
        (("-1" + ROW[3:],), "line 2: day", "0 to"),
    ],
)
def test_a_row_that_is_no_state_is_refused(
    tmp_path: Path, rows: tuple[str, ...], asked: str, needed: str
) -> None:
    with refused(asked=asked, needed=needed):
        read_states(written(tmp_path, *rows))


def test_another_header_and_a_file_that_is_not_there_are_refused(tmp_path: Path) -> None:
    with refused(asked="states file", needed="the header day,u_mm", came="time"):
        read_states(written(tmp_path, ROW, header="time,u_mm"))
    with refused(asked="states file", needed="a text file that opens"):
        read_states(tmp_path / "none.csv")
