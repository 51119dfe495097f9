"""What is said on a night between two fits: one solve over all days, with what the last fit kept."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from server.trend.answer import Decomposition, Fit, Kept, answer
from server.trend.climate import Climate
from server.trend.columns import Columns, made_columns, up_to_place, with_steps
from server.trend.likelihood import Model, Noise, solved
from server.trend.prepare import Prepared, prepared
from server.trend.series import Daily, DoorFacts

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """A record laid out as the last fit would have it; arrays of shape (days,)."""

    ready: Prepared
    columns: Columns
    kept: Kept
    value: FloatArray
    """The series over its scale; NaN on unseen days."""

    @property
    def day(self) -> IntArray:
        """Days since hanging."""
        return self.ready.day


def laid_out(
    kept: Kept,
    daily: Daily,
    door: DoorFacts,
    *,
    through: int | None = None,
    grid_pct: FloatArray | None = None,
    climate: Climate | None = None,
) -> Laid | Decomposition:
    """The days up to and with `through`, filled, masked and centred as the last fit left it.

    grid_pct, climate: what `grid_moisture_pct` and `whole_climate` give for these days, filled as the last
    fit would, where they are there already: the series of one door share them.
    A refusal where too little is left to fit. Raises SeriesError for `through` before the first day.
    """
    ready = prepared(
        daily,
        door,
        through=through,
        known_through=kept.through,
        origin=kept.origin,
        may_stand_still=False,
        climate=climate,
    )
    if isinstance(ready, Decomposition):
        return ready
    steps = tuple(dict.fromkeys((*ready.declared, *(step for step in kept.steps if step <= ready.day[-1]))))
    columns = made_columns(
        ready.day,
        ready.climate,
        kept.cell,
        steps,
        door,
        means=kept.means,
        grid_pct=grid_pct,
    )
    value = ready.y + columns.creep_mean * columns.values[:, columns.creep] + kept.origin / kept.scale
    value[np.isin(ready.day, kept.unseen)] = np.nan
    return Laid(ready=ready, columns=columns, kept=kept, value=value)


def tonight(kept: Kept, daily: Daily, door: DoorFacts, *, through: int | None = None) -> Decomposition:
    """Split a series, of its days up to and with `through`, with the noise, slab and means that were kept.

    The steps are those kept and those declared; none is sought. As `refit` in all that it refuses and gives.
    Raises SeriesError for `through` before the first day.
    """
    laid = laid_out(kept, daily, door, through=through)
    if isinstance(laid, Decomposition):
        return laid
    ready = laid.ready
    unseen = np.isin(ready.day, kept.unseen)
    fit = solved_rows(laid, kept.noise, ready.day.size)
    return answer(fit, unseen, door, early=ready.early, observed=ready.observed)


def solved_rows(
    laid: Laid,
    noise: Noise,
    days: int,
    *,
    unseen: tuple[int, ...] = (),
    steps: tuple[int, ...] = (),
) -> Fit:
    """The first `days` days solved under `noise`, with more days put aside and more steps than were kept."""
    ready = laid.ready
    columns = with_steps(up_to_place(laid.columns, days), ready.day[:days], steps)
    hidden = np.isin(ready.day[:days], (*laid.kept.unseen, *unseen))
    y = np.where(hidden, np.nan, ready.y[:days])
    return Fit(
        solved=solved(y, columns.values, columns.prior_sd, Model(noise=noise)),
        columns=columns,
        day=ready.day[:days],
        settled=ready.settled,
        origin=ready.origin,
        scale=laid.kept.scale,
        cell=laid.kept.cell,
        declared=ready.declared,
    )


def with_more_steps(laid: Laid, steps: tuple[int, ...]) -> Laid:
    """The same with a column more for each step that has none yet."""
    columns = with_steps(laid.columns, laid.day, steps)
    return laid if columns is laid.columns else replace(laid, columns=columns)
