"""The columns that a series is explained by beside its trend, each with how large it may be."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from server.timber.slab import Cell, mean_moisture_pct, temperature_factor
from server.trend.climate import Climate
from server.trend.series import DAYS_PER_YEAR, DoorFacts

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
TAU_DAYS = np.geomspace(8.0, 320.0, 16)
BIOT = (0.3, 1.5)
GRID = tuple(Cell(tau_days=float(tau), biot=biot) for biot in BIOT for tau in TAU_DAYS)
USUAL_CELL = Cell(tau_days=60.0, biot=1.5)
SLOW_BIOT, SLOW_SD = 1.5, 0.15
"""Of the slabs beside the one that is sought, and the prior of what a % of each is worth, over the scale."""
STARTS_DAYS = (60.0, 120.0, 240.0)
STEP = "step@"
STEP_SD = 3.0
SEASON = ("moisture", "slower_slab", "skin", "square", "year_cos", "year_sin")


@dataclass(frozen=True, slots=True, kw_only=True)
class Means:
    """What the columns were centred with, kept for the nights until the next refit."""

    moisture_pct: float
    slower_slab_pct: float
    emc_pct: float
    square_pct2: float
    temp_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Columns of shape (days, names), with the standard deviation of each one's prior."""

    values: FloatArray
    prior_sd: FloatArray
    names: tuple[str, ...]
    parts: tuple[str, ...]
    """The part of the movement that each belongs to."""
    means: Means
    moisture_pct: FloatArray
    """The slab's mean moisture, shape (days,)."""
    creep_mean: float
    """Prior mean of the creep column's coefficient, which is subtracted beforehand; all others have 0."""

    def of_part(self, *parts: str) -> NDArray[np.bool_]:
        """Which columns belong to any of these parts."""
        return np.array([part in parts for part in self.parts])

    def steps_on(self, days: tuple[int, ...]) -> NDArray[np.bool_]:
        """Which columns are of steps on these days."""
        names = {f"{STEP}{day}" for day in days}
        return np.array([name in names for name in self.names])

    @property
    def step_days(self) -> tuple[int, ...]:
        """Days of the steps, in the order of their columns."""
        named = zip(self.names, self.parts, strict=True)
        return tuple(int(name.removeprefix(STEP)) for name, part in named if part == "steps")

    @property
    def creep(self) -> int:
        """Place of the creep column."""
        return self.names.index("creep")


def nearest_cell(wanted: Cell) -> Cell:
    """The slab of the grid that is nearest in the logarithm of its time constant, and in Biot number."""
    tau = TAU_DAYS[np.argmin(np.abs(np.log(TAU_DAYS / wanted.tau_days)))]
    return Cell(tau_days=float(tau), biot=min(BIOT, key=lambda biot: abs(biot - wanted.biot)))


def creep_column(day: IntArray) -> FloatArray:
    """How creep grows with the days since hanging."""
    return np.asarray(np.log1p(day / 30.0))


def grid_moisture_pct(climate: Climate) -> FloatArray:
    """Mean moisture of every slab of the grid, shape (days, cells)."""
    return mean_moisture_pct(climate.emc_pct, climate.temp_c, GRID, start_pct=climate.start_pct)


def made_columns(  # noqa: PLR0913 -- what a record's columns hang on, each by its own name
    day: IntArray,
    climate: Climate,
    cell: Cell,
    steps: tuple[int, ...],
    door: DoorFacts | None = None,
    *,
    means: Means | None = None,
    grid_pct: FloatArray | None = None,
) -> Columns:
    """All columns of a record. `day` counts from hanging; `steps` are the days from which each one lasts.

    Centred with `means` where they are given, as the nights after a fit are; else with the record's own.
    grid_pct: what `grid_moisture_pct` gives, where it is there already. door: what is declared of creep, of
    slower wood and of the wood's start; None: a droop's.
    """
    door = door or DoorFacts()
    moisture, by_tau = _slab(climate, cell, grid_pct)
    wood, means = wood_columns(moisture, by_tau, climate, means)
    turn = 2 * np.pi * day / DAYS_PER_YEAR
    rows: list[tuple[str, str, float, FloatArray]] = [
        (SEASON[0], "moisture", 0.30, wood[0]),
        (SEASON[1], "moisture", 0.04, wood[1]),
        (SEASON[2], "moisture", 0.02, wood[2]),
        (SEASON[3], "moisture", 0.012, wood[3]),
        (SEASON[4], "moisture", 0.015, np.cos(turn)),
        (SEASON[5], "moisture", 0.015, np.sin(turn)),
        ("creep", "secular", door.creep_sd, creep_column(day)),
        ("hanging", "transient", 0.30, np.exp(-day / 40.0)),
        ("temperature", "temperature", 0.005, climate.temp_c - means.temp_c),
    ]
    rows += _slow_wood(climate, door, means, grid_pct) + _starts(climate, door)
    rows += [
        (f"gap@{day[place]}", "transient", 0.15, _settling(day, int(day[place]))) for place in climate.resumed
    ]
    names, parts, prior_sd, values = zip(*rows, strict=True)
    made = Columns(
        values=np.column_stack(values),
        prior_sd=np.array(prior_sd),
        names=names,
        parts=parts,
        means=means,
        moisture_pct=moisture,
        creep_mean=door.creep_mean,
    )
    return with_steps(made, day, steps)


def with_steps(columns: Columns, day: IntArray, steps: tuple[int, ...]) -> Columns:
    """The columns with one more for each of `steps` that has none yet."""
    more = tuple(step for step in steps if f"{STEP}{step}" not in columns.names)
    if not more:
        return columns
    return replace(
        columns,
        values=np.column_stack([columns.values, day[:, None] >= np.array(more)]),
        prior_sd=np.append(columns.prior_sd, np.full(len(more), STEP_SD)),
        names=(*columns.names, *(f"{STEP}{step}" for step in more)),
        parts=(*columns.parts, *("steps" for _ in more)),
    )


def without_step(columns: Columns, step: int) -> Columns:
    """The columns less that of one step."""
    kept = [place for place, name in enumerate(columns.names) if name != f"{STEP}{step}"]
    return replace(
        columns,
        values=columns.values[:, kept],
        prior_sd=columns.prior_sd[kept],
        names=tuple(columns.names[place] for place in kept),
        parts=tuple(columns.parts[place] for place in kept),
    )


def up_to_place(columns: Columns, days: int) -> Columns:
    """The columns of the first `days` days."""
    return replace(columns, values=columns.values[:days], moisture_pct=columns.moisture_pct[:days])


def wood_columns(
    moisture_pct: FloatArray, by_tau: FloatArray, climate: Climate, means: Means | None = None
) -> tuple[list[FloatArray], Means]:
    """The first four columns of a slab, and what they were centred with.

    moisture_pct: its mean moisture; by_tau: that by the logarithm of the time constant; shape (days,).
    """
    if means is None:
        about = moisture_pct - moisture_pct.mean()
        means = Means(
            moisture_pct=float(moisture_pct.mean()),
            slower_slab_pct=float(by_tau.mean()),
            emc_pct=float(climate.emc_pct.mean()),
            square_pct2=float((about**2).mean()),
            temp_c=float(climate.temp_c.mean()),
        )
    centred = moisture_pct - means.moisture_pct
    skin = climate.emc_pct - means.emc_pct - centred
    return [centred, by_tau - means.slower_slab_pct, skin, centred**2 - means.square_pct2], means


def by_time_constant(place: int, moisture_pct: FloatArray) -> FloatArray:
    """Moisture by the logarithm of the time constant at `place` of the grid; one-sided at its ends.

    moisture_pct: of the slabs of one Biot number, shape (days, time constants).
    """
    quick, slow = neighbours(place)
    return np.asarray(
        (moisture_pct[:, slow] - moisture_pct[:, quick]) / np.log(TAU_DAYS[slow] / TAU_DAYS[quick])
    )


def neighbours(place: int) -> tuple[int, int]:
    """The next quicker and the next slower slab of the grid, or the slab itself at an end."""
    return max(place - 1, 0), min(place + 1, TAU_DAYS.size - 1)


def _slab(climate: Climate, cell: Cell, grid_pct: FloatArray | None) -> tuple[FloatArray, FloatArray]:
    place = int(np.argmin(np.abs(TAU_DAYS - cell.tau_days)))
    some = np.zeros((climate.emc_pct.size, TAU_DAYS.size))
    near = [place, *neighbours(place)]
    some[:, near] = _of_grid(climate, tuple(_cell(at, cell.biot) for at in near), grid_pct)
    return some[:, place], by_time_constant(place, some)


def _cell(place: int, biot: float) -> Cell:
    return Cell(tau_days=float(TAU_DAYS[place]), biot=biot)


def _of_grid(climate: Climate, cells: tuple[Cell, ...], grid_pct: FloatArray | None) -> FloatArray:
    """Mean moisture of some slabs of the grid, shape (days, cells)."""
    if grid_pct is not None:
        return np.asarray(grid_pct[:, [GRID.index(cell) for cell in cells]])
    return mean_moisture_pct(climate.emc_pct, climate.temp_c, cells, start_pct=climate.start_pct)


def _slow_wood(
    climate: Climate, door: DoorFacts, means: Means, grid_pct: FloatArray | None
) -> list[tuple[str, str, float, FloatArray]]:
    """A column for each slab declared beside the one sought: a gauge's feet tell the face, the rest lags."""
    if not door.slow_days:
        return []
    cells = tuple(nearest_cell(Cell(tau_days=days, biot=SLOW_BIOT)) for days in door.slow_days)
    wood = _of_grid(climate, cells, grid_pct) - means.moisture_pct
    return [
        (f"wood@{cell.tau_days:.0f}", "moisture", SLOW_SD, wood[:, place]) for place, cell in enumerate(cells)
    ]


def _starts(climate: Climate, door: DoorFacts) -> list[tuple[str, str, float, FloatArray]]:
    """What the wood's moisture at the start may be off by, as slabs of several time constants forget it."""
    if door.start_sd == 0:
        return []
    cells = (nearest_cell(Cell(tau_days=days, biot=SLOW_BIOT)) for days in STARTS_DAYS)
    sd = door.start_sd / float(np.sqrt(len(STARTS_DAYS)))
    return [
        (f"start@{cell.tau_days:.0f}", "transient", sd, left_of_start(climate.temp_c, cell)) for cell in cells
    ]


def left_of_start(temp_c: FloatArray, cell: Cell) -> FloatArray:
    """What is left, each day, of the slab's moisture having begun elsewhere than the model has it begin."""
    return np.asarray(np.exp(-np.cumsum(temperature_factor(temp_c)) / cell.tau_days))


def _settling(day: IntArray, since: int) -> FloatArray:
    return np.where(day >= since, np.exp(-np.maximum(day - since, 0) / 40.0), 0.0)
