"""A gauge's days in one version of a door: which of them are good, their median, and their spread."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.inspection.spans import Span
from server.inspection.values import DoorInputs

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

GOOD_READINGS = 12
# A median absolute deviation times this is the standard deviation of a normal spread.
MAD_SD = 1.4826


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A span's gauges: their days, and on which of them each was heard, and heard often enough."""

    day: IntArray
    median: Mapping[str, FloatArray]
    heard: Mapping[str, BoolArray]
    good: Mapping[str, BoolArray]

    @classmethod
    def of(cls, inputs: DoorInputs, gauges: tuple[str, ...], span: Span) -> "Heard":
        """These gauges on the days of a span."""
        mine = span.within(inputs.day)
        median = {name: inputs.gauges[name].median[mine] for name in gauges}
        heard = {name: np.isfinite(one) for name, one in median.items()}
        often = {name: inputs.gauges[name].n[mine] >= GOOD_READINGS for name in gauges}
        return cls(
            day=inputs.day[mine],
            median=median,
            heard=heard,
            good={name: heard[name] & often[name] for name in gauges},
        )

    def good_days(self) -> IntArray:
        """Days on which at least half of the gauges read often enough."""
        if not self.good:
            return self.day[:0]
        often: IntArray = np.sum(list(self.good.values()), axis=0)
        return self.day[often * 2 >= len(self.good)]

    def zeros(
        self, usable: Mapping[str, BoolArray], window: tuple[int, int], needed: int
    ) -> dict[str, tuple[float, float]]:
        """Median of each gauge over a window's usable days, and the spread of those days about it."""
        within = (self.day >= window[0]) & (self.day < window[1])
        found = {}
        for name, days in usable.items():
            if (within & days).sum() >= needed:
                found[name] = median_and_spread(self.median[name][within & days])
        return found


def median_and_spread(value: FloatArray) -> tuple[float, float]:
    """The median, and the standard deviation that the median distance from it tells."""
    middle = float(np.median(value))
    return middle, MAD_SD * float(np.median(np.abs(value - middle)))
