"""A door's days as an earlier night had them."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from server.inspection.values import NOTHING_BESIDES, DoorInputs, GaugeDays

DAY_MS = 86_400_000


def as_of(inputs: DoorInputs, end_day: int) -> DoorInputs:
    """The days before `end_day` (days since 1970) alone, and of the marks those that were there by then.

    What a look is asked of its own night is not known of another one.
    """
    heard = np.any([np.isfinite(days.median) for days in inputs.gauges.values()], axis=0)
    before = np.flatnonzero(heard & (inputs.day < end_day - inputs.hung_day))
    days = int(before[-1]) + 1 if before.size else 0
    return replace(
        inputs,
        day=inputs.day[:days],
        gauges={
            name: GaugeDays(median=one.median[:days], n=one.n[:days]) for name, one in inputs.gauges.items()
        },
        temp_c=inputs.temp_c[:days],
        rh_pct=inputs.rh_pct[:days],
        marks=tuple(mark for mark in inputs.marks if mark.t_ms < end_day * DAY_MS),
        end_day=end_day,
        tonight=NOTHING_BESIDES,
    )


def seen_span(value: NDArray[np.float64]) -> slice | None:
    """From the first to the last place that is not NaN; None where all are."""
    seen = np.flatnonzero(np.isfinite(value))
    return slice(int(seen[0]), int(seen[-1]) + 1) if seen.size else None
