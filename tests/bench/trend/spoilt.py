"""A door's days as a yard spoils them, and nobody logs it: for `tests.bench.trend.woods --spoil`."""

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from server.inspection.values import DoorInputs, GaugeDays
from server.trend.series import DAYS_PER_YEAR

FloatArray = NDArray[np.float64]
Spoil = Callable[[DoorInputs], DoorInputs]


def _humidity(change: Callable[[FloatArray, FloatArray], FloatArray]) -> Spoil:
    """`change` of the days since hanging and the %RH that was true."""
    return lambda inputs: replace(inputs, rh_pct=change(inputs.day.astype(float), inputs.rh_pct))


def _away(first: int, last: int, *, gauges: bool) -> Spoil:
    """Nothing of the air, nor of the gauges if they are on the same box, between two days."""

    def spoil(inputs: DoorInputs) -> DoorInputs:
        away = (inputs.day > first) & (inputs.day < last)

        def without(values: FloatArray) -> FloatArray:
            return np.where(away, np.nan, values)

        kept: Mapping[str, GaugeDays] = inputs.gauges
        if gauges:
            kept = {
                name: replace(one, median=without(one.median), n=np.where(away, 0, one.n))
                for name, one in kept.items()
            }
        temp_c, rh_pct = without(inputs.temp_c), without(inputs.rh_pct)
        return replace(inputs, gauges=kept, temp_c=temp_c, rh_pct=rh_pct)

    return spoil


def _bumped(gauge: str, mm: float) -> Spoil:
    """A gauge that is knocked one day of the second year and reads so much more from then on."""

    def spoil(inputs: DoorInputs) -> DoorInputs:
        one = inputs.gauges[gauge]
        moved = replace(one, median=one.median + mm * (inputs.day > 1.3 * DAYS_PER_YEAR))
        return replace(inputs, gauges={**inputs.gauges, gauge: moved})

    return spoil


AS_THEY_ARE = "as they are"
SPOILS: Mapping[str, Spoil] = {
    AS_THEY_ARE: lambda inputs: inputs,
    "humidity reads 1 % more each year": _humidity(lambda day, rh: rh + day / DAYS_PER_YEAR),
    "humidity reads 4 % more from 1.5 years on": _humidity(
        lambda day, rh: rh + 4.0 * (day > 1.5 * DAYS_PER_YEAR)
    ),
    "humidity reads 0.9 of its way from 50 %": _humidity(lambda _, rh: 50.0 + 0.9 * (rh - 50.0)),
    "119 days without air": _away(400, 520, gauges=False),
    "89 days without anything": _away(400, 490, gauges=True),
    "head-latch knocked by 0.15 mm": _bumped("head-latch", 0.15),
    "lock-hinge-top knocked by 0.02 mm": _bumped("lock-hinge-top", 0.02),
}
