"""How a simulated door is used: each closing of its leaf, how many so far, and how hard the hardest was."""

import heapq
import math
from collections.abc import Iterator, Sequence
from random import Random

from sensors.sources.simulated.air import HOUR_MS
from sensors.sources.simulated.draws import stream
from sensors.sources.simulated.gauges import DAY_MS, is_working_hour
from sensors.sources.simulated.movement import Slam

# Invented: openings of a working day, and how hard a leaf closes.
OPENINGS_A_DAY = {"north": 31.0, "south": 44.0}
WORKING_HOURS = 10
AT_NIGHT_AN_HOUR = 0.02
BUSY_SD = 0.25
CLOSING_M_S2, CLOSING_SD = 4.0, 0.45
BLOW_M_S2 = 36.0
RANGE_M_S2 = 39.2  # of an accelerometer of 4 g: a harder peak reads as this
STILL_M_S2 = 0.05  # what it shows while nobody touches the leaf


def closings(
    *, seed: int, door: str, start_ms: int, slams: Sequence[Slam] = ()
) -> Iterator[tuple[int, float]]:
    """Moment in ms and peak acceleration in m/s2 of each closing from the start on, without end.

    Slams are closings of their own. The same whatever the step in which the gauges are read.
    """
    blows = sorted((start_ms + round(slam.day * DAY_MS), BLOW_M_S2) for slam in slams)
    return heapq.merge(_usual(stream(seed, door, "use"), OPENINGS_A_DAY[door], start_ms), blows)


class UseMeter:
    """The counter and the peak meter at a door. Moments must not go back."""

    def __init__(self, found: Iterator[tuple[int, float]]) -> None:
        self._found = found
        self._next = next(found)
        self.count = 0

    def upto(self, ms: int) -> tuple[int, float]:
        """Openings since the counter was fitted, and the greatest peak since the last call, m/s2."""
        greatest = STILL_M_S2
        while self._next[0] <= ms:
            self.count += 1
            greatest = max(greatest, self._next[1])
            self._next = next(self._found)
        return self.count, greatest


def _usual(rng: Random, openings_a_day: float, start_ms: int) -> Iterator[tuple[int, float]]:
    busy = 1.0
    hour_ms = start_ms
    while True:
        if hour_ms % DAY_MS == 0 or hour_ms == start_ms:
            busy = rng.lognormvariate(0.0, BUSY_SD)
        a_working_hour = busy * openings_a_day / WORKING_HOURS
        n = _poisson(rng, a_working_hour if is_working_hour(hour_ms) else AT_NIGHT_AN_HOUR)
        for k in range(n):
            peak = rng.lognormvariate(math.log(CLOSING_M_S2), CLOSING_SD)
            yield hour_ms + (2 * k + 1) * HOUR_MS // (2 * n), min(RANGE_M_S2, peak)
        hour_ms += HOUR_MS


def _poisson(rng: Random, mean: float) -> int:
    """A Poisson number, by Knuth's product of uniform numbers: for small means."""
    floor, product, n = math.exp(-mean), rng.random(), 0
    while product > floor:
        product *= rng.random()
        n += 1
    return n
