"""How damp the wood of a leaf is, day by day, and how much of that is not known."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.inspection.line import Line
from server.inspection.spans import BEDDING_DAYS, versions_of_door
from server.inspection.values import DoorInputs
from server.timber.slab import UNREAD_SD_PCT, mean_moisture_pct, temperature_factor
from server.trend.climate import whole_climate
from server.trend.columns import USUAL_CELL

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """The wood's moisture on a record's first day, and its standard deviation; `pct` None: not read."""

    pct: float | None
    sd_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Moisture:
    """The slab's mean moisture, its change since the line, and the doubt left by the start; shape (days,).

    `slab_pct` goes on through long gaps of the air, in which `pct` is NaN; `start_left` is the share of the
    start that is still in the slab, `start_sd_pct` to how much that was known.
    """

    pct: FloatArray
    change_pct: FloatArray
    start_doubt_pct: FloatArray
    slab_pct: FloatArray
    start_left: FloatArray
    start_sd_pct: float = UNREAD_SD_PCT

    def since(self, within: BoolArray) -> tuple[FloatArray, FloatArray]:
        """Change since the mean of those days, and the doubt of it that the start leaves."""
        change = np.where(np.isnan(self.pct), np.nan, self.slab_pct - self.slab_pct[within].mean())
        return change, self.start_sd_pct * np.abs(self.start_left[within].mean() - self.start_left)


def start_of(inputs: DoorInputs, first_day: int | None) -> Start:
    """What is known of the wood on a record's first day, counted from hanging.

    The meter's reading of the day of hanging holds for a record that begins within a fortnight of it; after
    that the wood has gone its own way, and nothing is known. The last reading that was put in counts.
    """
    read = [one.built for one in versions_of_door(inputs.door)]
    for built in reversed(read):
        pct, sd_pct = built.moisture_at_hanging_pct, built.moisture_at_hanging_sd_pct
        if pct is not None and sd_pct is not None and first_day is not None and first_day <= BEDDING_DAYS:
            return Start(pct=pct, sd_pct=sd_pct)
    return Start(pct=None, sd_pct=UNREAD_SD_PCT)


def moisture_of(inputs: DoorInputs, line: Line, *, known_through: int | None = None) -> Moisture | None:
    """Moisture of the usual slab under the door's own air; None where no air is known. NaN in long gaps.

    known_through: missing air is filled from the days up to it, at most.
    """
    if inputs.day.size == 0:
        return None
    climate = whole_climate(inputs.day, inputs.temp_c, inputs.rh_pct, known_through=known_through)
    within = (inputs.day >= line.start) & (inputs.day < line.stop)
    if climate is None or not within.any():
        return None
    start = start_of(inputs, int(inputs.day[0]))
    pct = mean_moisture_pct(climate.emc_pct, climate.temp_c, (USUAL_CELL,), start_pct=start.pct)[:, 0]
    left = np.exp(-np.cumsum(temperature_factor(climate.temp_c)) / USUAL_CELL.tau_days)
    return Moisture(
        pct=np.where(climate.masked, np.nan, pct),
        change_pct=np.where(climate.masked, np.nan, pct - pct[within].mean()),
        start_doubt_pct=start.sd_pct * np.abs(left[within].mean() - left),
        slab_pct=pct,
        start_left=left,
        start_sd_pct=start.sd_pct,
    )
