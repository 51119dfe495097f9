"""A door of which a gauge was replaced: the new one reads otherwise, and the old one for a while more."""

from dataclasses import replace

import numpy as np

from server.inspection.values import DoorInputs, GaugeDays
from tests.inspection.changed import changed, jumped
from tests.inspection.doors import Truth, hung, made_inputs

DAY = 100


def replaced(
    truth: Truth,
    old: str,
    *,
    by_mm: float = 1.37,
    overlap_days: int = 7,
    restless_mm: float = 0.0,
    day: int = DAY,
) -> DoorInputs:
    """North's days; `old` is read on so many days after the change, then its place is told by `OLD-new`."""
    door = hung()
    new = f"{old}-new"
    gauges = tuple(
        replace(one, channel=new, replaces=old) if one.channel == old else one for one in door.built.gauges
    )
    later = changed(door, day, "gauge-moved", built=replace(door.built, gauges=gauges), moved=(new,))
    inputs = jumped(made_inputs(truth, door), day, {}, because="gauge-moved")
    was = inputs.gauges[old]
    sd_mm = next(one.sd_mm for one in gauges if one.channel == new)
    rng = np.random.default_rng(7)
    # The same movement, with a zero and a noise of its own; half of the declared sd, as the old one has.
    true = made_inputs(replace(truth, seed=truth.seed + 1), door).gauges[old].median
    noise = rng.normal(0, restless_mm, true.size) if restless_mm else np.zeros(true.size)
    assert np.std(true - was.median) < 2 * sd_mm
    since = inputs.day >= day
    gone = inputs.day > day + overlap_days
    both = {
        new: GaugeDays(median=np.where(since, true + by_mm + noise, np.nan), n=np.where(since, was.n, 0)),
        old: GaugeDays(median=np.where(gone, np.nan, was.median), n=np.where(gone, 0, was.n)),
    }
    return replace(inputs, door=later, gauges={**inputs.gauges, **both})
