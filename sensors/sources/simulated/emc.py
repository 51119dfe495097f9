"""Equilibrium moisture content, read from the published table and not from an equation."""

from bisect import bisect_right
from collections.abc import Sequence

RH_TOP_PCT = 98.0  # above it the table's last interval has no meaning; air that wet is held to here

# Wood Handbook FPL-GTR-190 (2010), Table 4-2, rows 30 to 100 F: Celsius as printed, then % moisture
# content (of ovendry mass) at relative humidities 5, 10 ... 95 %.
# fmt: off
TABLE: tuple[tuple[float, tuple[float, ...]], ...] = (
    (-1.1, (1.4, 2.6, 3.7, 4.6, 5.5, 6.3, 7.1, 7.9, 8.7, 9.5,
        10.4, 11.3, 12.4, 13.5, 14.9, 16.5, 18.5, 21.0, 24.3)),
    (4.4, (1.4, 2.6, 3.7, 4.6, 5.5, 6.3, 7.1, 7.9, 8.7, 9.5,
        10.4, 11.3, 12.3, 13.5, 14.9, 16.5, 18.5, 21.0, 24.3)),
    (10.0, (1.4, 2.6, 3.6, 4.6, 5.5, 6.3, 7.1, 7.9, 8.7, 9.5,
        10.3, 11.2, 12.3, 13.4, 14.8, 16.4, 18.4, 20.9, 24.3)),
    (15.6, (1.3, 2.5, 3.6, 4.6, 5.4, 6.2, 7.0, 7.8, 8.6, 9.4,
        10.2, 11.1, 12.1, 13.3, 14.6, 16.2, 18.2, 20.7, 24.1)),
    (21.1, (1.3, 2.5, 3.5, 4.5, 5.4, 6.2, 6.9, 7.7, 8.5, 9.2,
        10.1, 11.0, 12.0, 13.1, 14.4, 16.0, 17.9, 20.5, 23.9)),
    (26.7, (1.3, 2.4, 3.5, 4.4, 5.3, 6.1, 6.8, 7.6, 8.3, 9.1,
        9.9, 10.8, 11.7, 12.9, 14.2, 15.7, 17.7, 20.2, 23.6)),
    (32.2, (1.2, 2.3, 3.4, 4.3, 5.1, 5.9, 6.7, 7.4, 8.1, 8.9,
        9.7, 10.5, 11.5, 12.6, 13.9, 15.4, 17.3, 19.8, 23.3)),
    (37.8, (1.2, 2.3, 3.3, 4.2, 5.0, 5.8, 6.5, 7.2, 7.9, 8.7,
        9.5, 10.3, 11.2, 12.3, 13.6, 15.1, 17.0, 19.5, 22.9)),
)
# fmt: on
RH_STEP_PCT = 5.0


def _widened(row: Sequence[float]) -> tuple[float, ...]:
    """A row from 0 to 100 %: dry wood at 0, and the last printed interval carried on."""
    return (0.0, *row, row[-1] + (row[-1] - row[-2]))


_TEMPS_C = tuple(temp_c for temp_c, _ in TABLE)
_ROWS = tuple(_widened(row) for _, row in TABLE)
_LAST = len(TABLE) - 1


def emc_pct(temp_c: float, rh_pct: float) -> float:
    """Moisture content that wood settles at, % of ovendry mass: bilinear between the printed figures.

    temp_c is held to the rows of the table (-1.1 to 37.8), rh_pct to 0 to 98; below 5 % the line goes to
    0, above 95 % the last interval is carried on.
    Source: Wood Handbook FPL-GTR-190 (2010), ch. 4, Table 4-2.
    """
    rh = min(max(rh_pct, 0.0), RH_TOP_PCT) / RH_STEP_PCT
    column = int(rh)
    part = rh - column
    row = bisect_right(_TEMPS_C, temp_c) - 1
    if row < 0:
        return _along(_ROWS[0], column, part)
    low = _along(_ROWS[row], column, part)
    if row == _LAST:
        return low
    share = (temp_c - _TEMPS_C[row]) / (_TEMPS_C[row + 1] - _TEMPS_C[row])
    return low + share * (_along(_ROWS[row + 1], column, part) - low)


def _along(row: tuple[float, ...], column: int, part: float) -> float:
    left = row[column]
    return left + part * (row[column + 1] - left)
