"""The columns that a series is explained by beside its trend, each with how large it may be."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.timber.slab import Cell, mean_moisture_pct
from server.trend.climate import Climate
from server.trend.series import DAYS_PER_YEAR

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
TAU_DAYS = np.geomspace(8.0, 320.0, 16)
BIOT = (0.3, 1.5)
USUAL_CELL = Cell(tau_days=60.0, biot=1.5)
CREEP_MEAN = 0.06
"""Prior mean of the creep column's coefficient; all the others have 0."""

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

    def of_part(self, *parts: str) -> NDArray[np.bool_]:
        """Which columns belong to any of these parts."""
        return np.array([part in parts for part in self.parts])

    @property
    def creep(self) -> int:
        """Place of the creep column."""
        return self.names.index("creep")


def nearest_cell(wanted: Cell) -> Cell:
    """The slab of the grid that is nearest in the logarithm of its time constant, and in Biot number."""
    tau = TAU_DAYS[np.argmin(np.abs(np.log(TAU_DAYS / wanted.tau_days)))]
    return Cell(tau_days=float(tau), biot=min(BIOT, key=lambda biot: abs(biot - wanted.biot)))


def made_columns(day: IntArray, climate: Climate, cell: Cell, steps: tuple[int, ...]) -> Columns:
    """All columns of a record. `day` counts from hanging; `steps` are the days from which each one lasts."""
    wood, means, moisture = _wood(climate, cell)
    turn = 2 * np.pi * day / DAYS_PER_YEAR
    rows: list[tuple[str, str, float, FloatArray]] = [
        (SEASON[0], "moisture", 0.30, wood[0]),
        (SEASON[1], "moisture", 0.04, wood[1]),
        (SEASON[2], "moisture", 0.02, wood[2]),
        (SEASON[3], "moisture", 0.012, wood[3]),
        (SEASON[4], "moisture", 0.015, np.cos(turn)),
        (SEASON[5], "moisture", 0.015, np.sin(turn)),
        ("creep", "secular", 0.06, np.log1p(day / 30.0)),
        ("hanging", "transient", 0.30, np.exp(-day / 40.0)),
        ("temperature", "temperature", 0.005, climate.temp_c - means.temp_c),
    ]
    rows += [
        (f"gap@{day[place]}", "transient", 0.15, _settling(day, int(day[place]))) for place in climate.resumed
    ]
    rows += [(f"step@{step}", "steps", 3.0, (day >= step).astype(float)) for step in steps]
    names, parts, prior_sd, values = zip(*rows, strict=True)
    return Columns(
        values=np.column_stack(values),
        prior_sd=np.array(prior_sd),
        names=names,
        parts=parts,
        means=means,
        moisture_pct=moisture,
    )


def _wood(climate: Climate, cell: Cell) -> tuple[list[FloatArray], Means, FloatArray]:
    place = int(np.argmin(np.abs(TAU_DAYS - cell.tau_days)))
    quick, slow = TAU_DAYS[max(place - 1, 0)], TAU_DAYS[min(place + 1, TAU_DAYS.size - 1)]
    cells = (cell, *(Cell(tau_days=float(tau), biot=cell.biot) for tau in (quick, slow)))
    moisture, quicker, slower = mean_moisture_pct(climate.emc_pct, climate.temp_c, cells).T
    by_tau = (slower - quicker) / np.log(slow / quick)
    centred = moisture - moisture.mean()
    means = Means(
        moisture_pct=float(moisture.mean()),
        slower_slab_pct=float(by_tau.mean()),
        emc_pct=float(climate.emc_pct.mean()),
        square_pct2=float((centred**2).mean()),
        temp_c=float(climate.temp_c.mean()),
    )
    skin = climate.emc_pct - means.emc_pct - centred
    return [centred, by_tau - means.slower_slab_pct, skin, centred**2 - means.square_pct2], means, moisture


def _settling(day: IntArray, since: int) -> FloatArray:
    return np.where(day >= since, np.exp(-np.maximum(day - since, 0) / 40.0), 0.0)
