"""Wood between two airs: sorption with hysteresis, and a slab in finite volumes with two unlike faces."""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from sensors.sources.simulated.air import Air
from sensors.sources.simulated.doors import DoorBuild
from sensors.sources.simulated.emc import emc_pct

START_PCT = 12.0
LEAF_MM = 54.0
CELLS = 9
HOUR_DAYS = 1.0 / 24.0


@dataclass(frozen=True, slots=True)
class Moisture:
    """The leaf at one whole hour: air in the workshop, mean moisture, and moisture at the inside face."""

    temp_c: float
    rh_pct: float
    mean_pct: float
    face_pct: float


class Slab:
    """A slab of equal cells, outer face first; each face has a film of constant conductance.

    `cells_pct` is the moisture of each cell. One implicit (backward) Euler step at a time, so it is stable
    whatever the step.
    """

    def __init__(
        self, *, cells: int = CELLS, thickness_mm: float = LEAF_MM, start_pct: float = START_PCT
    ) -> None:
        self.cells_pct = [start_pct] * cells
        self._cell_mm = thickness_mm / cells
        self._known: tuple[float, float, float, float] | None = None
        self._across = self._outer = self._inner = 0.0
        self._ahead: list[float] = []
        self._pivots: list[float] = []

    def step(
        self,
        outer_pct: float,
        inner_pct: float,
        *,
        diffusivity_mm2_per_day: float,
        films_mm_per_day: tuple[float, float],
        days: float = HOUR_DAYS,
    ) -> tuple[float, float]:
        """One step on, with each face's wood-side equilibrium (outer, inner).

        Gives what went in through the outer and through the inner face, % times mm: their sum is the change
        of the mean times the thickness.
        """
        key = (diffusivity_mm2_per_day, *films_mm_per_day, days)
        if key != self._known:
            self._factor(*key)
            self._known = key
        cells, across, ahead, pivots = self.cells_pct, self._across, self._ahead, self._pivots
        last = len(cells) - 1
        cells[0] += self._outer * outer_pct
        cells[last] += self._inner * inner_pct
        carried = cells[0] * pivots[0]
        cells[0] = carried
        for i in range(1, last + 1):
            carried = (cells[i] + across * carried) * pivots[i]
            cells[i] = carried
        for i in range(last - 1, -1, -1):
            carried = cells[i] + ahead[i] * carried
            cells[i] = carried
        cell_mm = self._cell_mm
        return (
            self._outer * (outer_pct - cells[0]) * cell_mm,
            self._inner * (inner_pct - cells[last]) * cell_mm,
        )

    def _factor(self, diffusivity: float, film_outer: float, film_inner: float, days: float) -> None:
        """Elimination of the step's matrix, kept while diffusivity and films stay."""
        dx = self._cell_mm
        self._across = across = diffusivity * days / dx**2
        self._outer, self._inner = (
            film / (1.0 + film * dx / (2.0 * diffusivity)) * days / dx for film in (film_outer, film_inner)
        )
        diagonal = [1.0 + 2.0 * across] * len(self.cells_pct)
        diagonal[0] += self._outer - across
        diagonal[-1] += self._inner - across
        self._pivots = pivots = [1.0 / diagonal[0]]
        for value in diagonal[1:]:
            pivots.append(1.0 / (value - across**2 * pivots[-1]))
        self._ahead = [across * pivot for pivot in pivots]


def play(held_pct: float, emc: float, half_width_pct: float) -> float:
    """Sorption hysteresis: the wood's own equilibrium follows only when pushed past the half width."""
    return max(emc - half_width_pct, min(emc + half_width_pct, held_pct))


def diffusivity_mm2_per_day(at_20_c: float, temp_c: float) -> float:
    """Diffusivity across the leaf at a temperature, from that at 20 degrees C (activation 4300 K)."""
    return at_20_c * math.exp(-4300.0 * (1.0 / (temp_c + 273.15) - 1.0 / 293.15))


def moisture_hours(build: DoorBuild, airs: Iterable[Air]) -> Iterator[Moisture]:
    """The leaf at each whole hour from the start, where it holds 12.0 % throughout."""
    slab = Slab()
    half_width = build.hysteresis_pct
    films = (build.film_outer_mm_per_day, build.film_inner_mm_per_day)
    outer = inner = START_PCT
    for k, air in enumerate(airs):
        outer = play(outer, emc_pct(air.out_temp_c, air.out_rh_pct), half_width)
        inner = play(inner, emc_pct(air.in_temp_c, air.in_rh_pct), half_width)
        if k:  # the step that ends at this hour
            speed = diffusivity_mm2_per_day(build.d20_mm2_per_day, air.in_temp_c)
            slab.step(outer, inner, diffusivity_mm2_per_day=speed, films_mm_per_day=films)
        cells = slab.cells_pct
        yield Moisture(air.in_temp_c, air.in_rh_pct, sum(cells) / CELLS, cells[-1])
