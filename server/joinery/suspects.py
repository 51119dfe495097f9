"""Is one gauge off: which gauge alone disagrees with all that the others and the season tell."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from server.errors import OutOfRangeError
from server.joinery.leaf import STATES, FloatArray, Growth, Shape, Station, moved, prior_sd, read, row

FAULT_SEEN = 3.5
NEAR_THE_WORST = 0.9
LEAST_REDUNDANCY = 0.1
SOUND_WITHOUT = 2.5
FAR_TURN_RAD = 2e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspicion:
    """What one day's readings say of the gauges, by name.

    `off_sd`: disagreement of each with the rest, in standard deviations. `redundancy`: 0 none to 1 all.
    `smallest_mm`: the least offset that could be named. `suspects`: none where no fault is seen; `named`: the
    one that is off, if only one can be.
    """

    off_sd: Mapping[str, float]
    redundancy: Mapping[str, float]
    smallest_mm: Mapping[str, float]
    worst_without: float
    suspects: tuple[str, ...]
    named: str | None


def suspicion(
    shape: Shape,
    gauges: Mapping[str, Station],
    change_mm: Mapping[str, float],
    *,
    opening: str,
    growth: Growth,
) -> Suspicion:
    """One day's readings, mm since the hung line, against one another; a gauge without a reading is left out.

    `growth`: that day's, shape (1,). A fault that two gauges share looks like a movement and is not seen.
    Raises OutOfRangeError for a day on which fewer than two gauges read.
    """
    names = [name for name in gauges if np.isfinite(change_mm.get(name, np.nan))]
    if len(names) < 2:
        raise OutOfRangeError("disagreement of gauges", "two gauges that read", f"{len(names)}")
    stations = [gauges[name] for name in names]
    change = np.array([change_mm[name] for name in names])
    rest = _Rest.of(shape, stations, change, opening=opening, growth=growth)
    off, redundancy = rest.standardised()
    worst = int(np.argmax(np.abs(off)))
    without = rest.but(worst).standardised()[0]
    left = float(np.abs(without).max())
    suspects = _suspects(names, off)
    sole = len(suspects) == 1 and redundancy[worst] >= LEAST_REDUNDANCY and left < SOUND_WITHOUT
    sd = np.array([station.sd_mm for station in stations])
    return Suspicion(
        off_sd=_by_name(names, off),
        redundancy=_by_name(names, redundancy),
        smallest_mm=_by_name(names, FAULT_SEEN * sd / np.sqrt(redundancy)),
        worst_without=left,
        suspects=suspects,
        named=suspects[0] if sole else None,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rest:
    """Readings less what was expected of them, and how far they were expected to go."""

    rest_mm: FloatArray
    spread: FloatArray
    noise: FloatArray

    @classmethod
    def of(
        cls, shape: Shape, stations: list[Station], change: FloatArray, *, opening: str, growth: Growth
    ) -> "_Rest":
        observation = np.array([row(shape, station) for station in stations])
        sd = np.append(prior_sd(opening), growth.sd[0])
        expected = np.zeros((1, len(STATES)))
        expected[0, -1] = growth.mean[0]
        states = moved(shape, stations, change[None], opening=opening, growth=growth).states
        far = np.abs(states[0, 2:4]).max() > FAR_TURN_RAD
        at = states if far else expected
        reached = np.array([read(shape, s, at)[0] - read(shape, s, 0 * at)[0] for s in stations])
        noise = np.array([station.sd_mm for station in stations]) ** 2
        return cls(
            rest_mm=change - reached + observation @ (at - expected)[0],
            spread=(observation * sd**2) @ observation.T + np.diag(noise),
            noise=noise,
        )

    def standardised(self) -> tuple[FloatArray, FloatArray]:
        inverse = np.linalg.inv(self.spread)
        own = np.diag(inverse)
        return np.asarray(inverse @ self.rest_mm / np.sqrt(own)), np.asarray(self.noise * own)

    def but(self, place: int) -> "_Rest":
        kept = np.delete(np.arange(self.rest_mm.size), place)
        return _Rest(
            rest_mm=self.rest_mm[kept], spread=self.spread[np.ix_(kept, kept)], noise=self.noise[kept]
        )


def _suspects(names: list[str], off: FloatArray) -> tuple[str, ...]:
    size = np.abs(off)
    if size.max() <= FAULT_SEEN:
        return ()
    return tuple(name for name, one in zip(names, size, strict=True) if one >= NEAR_THE_WORST * size.max())


def _by_name(names: list[str], values: FloatArray) -> dict[str, float]:
    return {name: float(value) for name, value in zip(names, values, strict=True)}
