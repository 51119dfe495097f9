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
# No meter reading at hanging: the start is known to so much. A convention of this project.
START_DOUBT_PCT = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Moisture:
    """The slab's mean moisture, its change since the line, and the doubt left by the start; shape (days,)."""

    pct: FloatArray
    change_pct: FloatArray
    start_doubt_pct: FloatArray


def moisture_of(inputs: DoorInputs, line: Line) -> Moisture | None:
    """Moisture of the usual slab under the door's own air; None where no air is known. NaN in long gaps."""
    if inputs.day.size == 0:
        return None
    climate = whole_climate(inputs.day, inputs.temp_c, inputs.rh_pct)
    within = (inputs.day >= line.start) & (inputs.day < line.stop)
    if climate is None or not within.any():
        return None
    pct = mean_moisture_pct(climate.emc_pct, climate.temp_c, (USUAL_CELL,))[:, 0]
    left = np.exp(-np.cumsum(temperature_factor(climate.temp_c)) / USUAL_CELL.tau_days)
    return Moisture(
        pct=np.where(climate.masked, np.nan, pct),
        change_pct=np.where(climate.masked, np.nan, pct - pct[within].mean()),
        start_doubt_pct=START_DOUBT_PCT * np.abs(left[within].mean() - left),
    )
