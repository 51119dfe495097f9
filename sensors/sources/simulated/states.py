"""Movement given instead of the model's own: a file with the eight states of the leaf from day to day."""

import csv
import math
from bisect import bisect_right
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from sensors.sources.simulated.errors import SimulationError, shown
from sensors.sources.simulated.leaf import STILE_MM, WIDTH_MM, Movement

HEADER = ("day", "u_mm", "v_mm", "phi_rad", "gam_rad", "eps", "phif_rad", "gamf_rad", "lam")
_MOST = (1e5, 50.0, 50.0, 0.1, 0.1, 0.05, 0.1, 0.1, 0.05)
_AS_HUNG = Movement()


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenStates:
    """Movements, each from its day after hanging on until the next one's; as hung before the first."""

    days: tuple[float, ...]
    moves: tuple[Movement, ...]

    def at(self, day: float) -> Movement:
        """The movement so many days after hanging."""
        place = bisect_right(self.days, day)
        return self.moves[place - 1] if place else _AS_HUNG


def read_states(path: Path | str) -> GivenStates:
    """The states of a CSV file with the header of `HEADER`, a row a state, days rising.

    eps is the growth of the leaf's width over its width, lam the growth along the grain; `phi` and `gam` are
    the leaf's turn and rack, `phif` and `gamf` the frame's lean and its head's.

    Raises SimulationError for a file that does not open, another header, a row that is no number or beyond
    what a door can do, and days that do not rise.
    """
    try:
        with Path(path).open(encoding="utf-8", newline="") as lines:
            rows = list(csv.reader(lines))
    except (OSError, UnicodeDecodeError) as error:
        raise SimulationError("states file", "a text file that opens", shown(str(error))) from error
    if not rows or tuple(rows[0]) != HEADER:
        raise SimulationError(
            "states file", f"the header {','.join(HEADER)}", shown(",".join(rows[0]) if rows else "")
        )
    found = [_numbers(line, row) for line, row in enumerate(rows[1:], start=2)]
    if not found:
        raise SimulationError("states file", "a row or more", "none")
    for line, (before, after) in enumerate(pairwise(found), start=3):
        if after[0] <= before[0]:
            raise SimulationError(f"states file: line {line}", "a later day", f"{after[0]:g}")
    return GivenStates(days=tuple(row[0] for row in found), moves=tuple(map(_movement, found)))


def _numbers(line: int, row: list[str]) -> list[float]:
    if len(row) != len(HEADER):
        raise SimulationError(f"states file: line {line}", f"{len(HEADER)} numbers", f"{len(row)} fields")
    return [_number(line, *told) for told in zip(HEADER, row, _MOST, strict=True)]


def _number(line: int, name: str, text: str, most: float) -> float:
    low = 0.0 if name == "day" else -most
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not low <= value <= most:
        needed = f"a number in {low:g} to {most:g}"
        raise SimulationError(f"states file: line {line}: {name}", needed, shown(text))
    return value


def _movement(row: list[float]) -> Movement:
    _, u_mm, v_mm, phi, gam, eps, phif, gamf, lam = row
    return Movement(
        u_mm=u_mm,
        v_mm=v_mm,
        phi_rad=phi,
        gamma_rad=gam,
        stile_strain=eps * WIDTH_MM / (2.0 * STILE_MM),
        grain_strain=lam,
        lean_rad=phif,
        head_rad=gamf,
    )
