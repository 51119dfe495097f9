"""How damp the wood of a leaf is, day by day, and how much of that is not known."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.inspection.line import Line
from server.inspection.values import DoorInputs
from server.timber.slab import mean_moisture_pct, temperature_factor
from server.trend.climate import whole_climate
from server.trend.columns import USUAL_CELL

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
# No meter reading at hanging: the start is known to so much. A convention of this project.
START_DOUBT_PCT = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Moisture:
    """The slab's mean moisture, its change since the line, and the doubt left by the start; shape (days,).

    `slab_pct` goes on through long gaps of the air, in which `pct` is NaN; `start_left` is the share of the
    start that is still in the slab.
    """

    pct: FloatArray
    change_pct: FloatArray
    start_doubt_pct: FloatArray
    slab_pct: FloatArray
    start_left: FloatArray

    def since(self, within: BoolArray) -> tuple[FloatArray, FloatArray]:
        """Change since the mean of those days, and the doubt of it that the start leaves."""
        change = np.where(np.isnan(self.pct), np.nan, self.slab_pct - self.slab_pct[within].mean())
        return change, START_DOUBT_PCT * np.abs(self.start_left[within].mean() - self.start_left)


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
    pct = mean_moisture_pct(climate.emc_pct, climate.temp_c, (USUAL_CELL,))[:, 0]
    left = np.exp(-np.cumsum(temperature_factor(climate.temp_c)) / USUAL_CELL.tau_days)
    return Moisture(
        pct=np.where(climate.masked, np.nan, pct),
        change_pct=np.where(climate.masked, np.nan, pct - pct[within].mean()),
        start_doubt_pct=START_DOUBT_PCT * np.abs(left[within].mean() - left),
        slab_pct=pct,
        start_left=left,
    )
