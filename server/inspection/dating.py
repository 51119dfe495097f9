"""What the watch over a series says: its alarm, the steps nobody logged, when it may reach its limit."""

import hashlib

import numpy as np
from numpy.typing import NDArray

from server.errors import TooFewReadingsError
from server.inspection.series import DaySeries
from server.inspection.values import DoorInputs
from server.inspection.watching import Followed
from server.trend.answer import Decomposition, Fit
from server.trend.forecast import forecast

FloatArray = NDArray[np.float64]


def alarm_facts(
    inputs: DoorInputs,
    one: DaySeries,
    found: Decomposition,
    *,
    stays: FloatArray | None,
    watch: Followed | None,
    is_dated: bool,
) -> dict[str, object]:
    """`alarm`, `alarm_day`, `found_steps`, `forecast` of a series tonight; days count from 1970.

    stays: what stays on each of its days, None where nothing is fitted. A date is given with an alarm alone;
    where it would be but is not asked for (`is_dated`) there is no `forecast`, but on the alarm's own night.
    """
    since = None if watch is None else watch.watch.now.alarm_day
    steps = [step for step in found.steps if not step.declared]
    facts: dict[str, object] = {
        "alarm": None if watch is None else since is not None,
        "alarm_day": None if since is None else inputs.hung_day + since,
        "found_steps": [[inputs.hung_day + step.day, step.size, step.standard_error] for step in steps],
    }
    if since is None or stays is None:
        return facts | {"forecast": None}
    if not (is_dated or since == found.day[-1]):
        return facts
    return facts | {"forecast": _dates(inputs, one, found, stays)}


def _dates(
    inputs: DoorInputs, one: DaySeries, found: Decomposition, stays: FloatArray
) -> dict[str, object] | None:
    """The days between which the limit is reached, 19 times in 20; None without a limit."""
    fit, limit = found.fit, one.facts.limit
    if limit is None or fit is None:
        return None
    left = _left(found, fit, stays, limit)
    today = inputs.hung_day + int(found.day[-1])
    if left <= 0:  # what has shifted since is past it by itself
        return {"earliest": today, "latest": today}
    try:
        said = forecast(found, left, _drawn_by(inputs, one.key))
    except TooFewReadingsError:
        return None
    latest = None if said.latest_day is None else inputs.hung_day + said.latest_day
    return {"earliest": inputs.hung_day + said.earliest_day, "latest": latest}


def _left(found: Decomposition, fit: Fit, stays: FloatArray, limit: float) -> float:
    """The limit less what stayed on the settled day and less the steps since: what growth alone may use."""
    steps = found.parts["steps"]
    return limit - float(stays[fit.settled]) - float(steps[-1] - steps[fit.settled])


def _drawn_by(inputs: DoorInputs, key: str) -> np.random.Generator:
    """Draws of their own for each door, series and night, the same whenever it is looked at."""
    named = f"{inputs.door.ref} {key} {inputs.hung_day + inputs.last_ended}"
    return np.random.default_rng(
        int.from_bytes(hashlib.blake2b(named.encode(), digest_size=8).digest(), "big")
    )
