"""What stays tonight: lasting part and steps, less their mean over the days that are called the start."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.errors import SeriesError, TooFewReadingsError
from server.trend.contrasts import lasting_contrasts
from server.trend.decompose import FIT_DAYS, PLUGGED_IN, Z_95, Decomposition, Fit
from server.trend.series import DAYS_PER_YEAR

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stays:
    """What stays on some days, with its 95 % bounds, in the gauge's unit; arrays of one shape."""

    day: IntArray
    value: FloatArray
    low: FloatArray
    high: FloatArray


def what_stays(decomposition: Decomposition, baseline_days: tuple[int, int], *, every_days: int = 7) -> Stays:
    """Lasting part and steps less their mean over the days [first, stop), each 7th day and the last.

    A step at which the gauge was set anew is the gauge's and not the wood's: it is not counted. The declared
    drift of the gauge widens the bounds by the years since the baseline's middle.
    Raises TooFewReadingsError where nothing was fitted, SeriesError where the record has no baseline day.
    """
    fit, interval = decomposition.fit, decomposition.interval
    if fit is None or interval is None:
        came = f"{decomposition.observed_days} observed on {decomposition.day.size} days"
        raise TooFewReadingsError("what stays of a movement", f"a fit, from {FIT_DAYS} days on", came)
    first, stop = baseline_days
    within = (fit.day >= first) & (fit.day < stop)
    if not within.any():
        came = f"days {fit.day[0]} to {fit.day[-1]}"
        raise SeriesError("what stays of a movement", f"days {first} to {stop - 1} in the record", came)
    places = np.unique(np.append(np.arange(0, fit.day.size, every_days), fit.day.size - 1))
    lasting = fit.columns.of_part("secular", "steps") & ~fit.columns.steps_on(decomposition.rezeroed)
    value, error = _moved(fit, places, within / within.sum(), lasting)
    years = np.abs(fit.day[places] - fit.day[within].mean()) / DAYS_PER_YEAR
    half = Z_95 * np.hypot(PLUGGED_IN * error, interval.drift * years)
    return Stays(day=fit.day[places], value=value, low=value - half, high=value + half)


def _moved(
    fit: Fit, places: IntArray, reference: FloatArray, lasting: BoolArray
) -> tuple[FloatArray, FloatArray]:
    moved = (fit.columns.values[places] - reference @ fit.columns.values).T * lasting[:, None]
    asked = lasting_contrasts(fit.solved, upto=places, reference=reference, of_columns=moved)
    value = asked.mean + fit.columns.creep_mean * moved[fit.columns.creep]
    return value * fit.scale, asked.standard_errors() * fit.scale
