"""The bench: each simulated gauge calibrated with gauge blocks, as an installer would, errors and all."""

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from random import Random

from sensors.sources.simulated.errors import SimulationError
from sensors.sources.simulated.gauges import SHOULDER_GAUGES, Gauge

SHOULDER_BLOCKS_MM = (0.0, 0.5, 1.0, 1.5, 2.0)
EDGE_BLOCKS_MM = (0.0, 1.0, 2.0, 3.0, 4.0)
REST_LIMIT_MM = UP_DOWN_LIMIT_MM = 0.005
STROKE_LIMIT = 0.10
BLOCK_U_MM = 0.0003
ROUNDS, READS, PIECES, TRIES = 3, 16, 20, 8


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockFit:
    """An accepted calibration: steps (block mm, median ratio), table (ratio, block mm), its rests."""

    steps: tuple[tuple[float, float], ...]
    table: tuple[tuple[float, float], ...]
    rest_mm: float
    up_down_mm: float

    @property
    def sigma_mm(self) -> float:
        """Standard uncertainty of a calibrated length, mm: rest, up against down, and the blocks."""
        return math.sqrt(self.rest_mm**2 / 3.0 + self.up_down_mm**2 / 12.0 + BLOCK_U_MM**2)


def fit_blocks(
    blocks_mm: Sequence[float],
    ups: Sequence[Sequence[float]],
    downs: Sequence[Sequence[float]],
    *,
    stroke_mm: float,
) -> BlockFit:
    """A quadratic of mm on ratio by least squares over the median of each step, as a table of 21 points.

    ups and downs hold the ratios read at each block on the way up and down, one sequence a block.

    Raises SimulationError when steps do not rise, the stroke is more than 10 % from what is printed, or a
    rest or a difference of up against down is over 0.005 mm.
    """
    ratios = [statistics.median([*up, *down]) for up, down in zip(ups, downs, strict=True)]
    if any(later <= sooner for sooner, later in pairwise(ratios)):
        raise SimulationError("gauge blocks", "steps that rise", f"{ratios}")
    mm_per_ratio = (blocks_mm[-1] - blocks_mm[0]) / (ratios[-1] - ratios[0])
    if abs(mm_per_ratio / stroke_mm - 1.0) > STROKE_LIMIT:
        raise SimulationError("gauge blocks", f"a stroke near {stroke_mm:g} mm", f"{mm_per_ratio:.2f} mm")
    up_down_mm = mm_per_ratio * max(
        abs(statistics.median(up) - statistics.median(down)) for up, down in zip(ups, downs, strict=True)
    )
    curve = _Quadratic.through(ratios, blocks_mm)
    rest_mm = max(abs(curve.at(ratio) - block) for ratio, block in zip(ratios, blocks_mm, strict=True))
    if rest_mm > REST_LIMIT_MM:
        raise SimulationError("gauge blocks", f"a rest within {REST_LIMIT_MM} mm", f"{rest_mm:.4f} mm")
    if up_down_mm > UP_DOWN_LIMIT_MM:
        needed = f"up and down within {UP_DOWN_LIMIT_MM} mm"
        raise SimulationError("gauge blocks", needed, f"{up_down_mm:.4f} mm")
    low, span = ratios[0], ratios[-1] - ratios[0]
    points = [low + span * i / PIECES for i in range(PIECES + 1)]
    return BlockFit(
        steps=tuple(zip(blocks_mm, ratios, strict=True)),
        table=tuple((point, curve.at(point)) for point in points),
        rest_mm=rest_mm,
        up_down_mm=up_down_mm,
    )


def bench_record(gauge: Gauge, rng: Random, *, shown_mm: float) -> dict[str, object]:
    """The calibration of one gauge, without channel and date: the members of a record of kind table.

    Its mm are counted so that as hung the gauge shows shown_mm. Steps that are refused are done again.
    Raises SimulationError when the gauge is refused 8 times.
    """
    shoulder = gauge.name in SHOULDER_GAUGES
    blocks = SHOULDER_BLOCKS_MM if shoulder else EDGE_BLOCKS_MM
    as_hung = 0.0 if shoulder else 2.0
    temp_c = 20.0 + rng.gauss(0.0, 0.5)
    fit = _accepted(gauge, rng, blocks, as_hung, temp_c)
    shift = shown_mm - as_hung
    return {
        "kind": "table",
        "unit_out": "mm",
        "sigma_mm": round(fit.sigma_mm, 5),
        "coefficients": [[round(ratio, 7), round(mm + shift, 6)] for ratio, mm in fit.table],
        "note": (
            f"simulated; blocks {' '.join(f'{block:g}' for block in blocks)}, block {as_hung:g} as hung, "
            f"rest {fit.rest_mm:.4f}, up-down {fit.up_down_mm:.4f}, {temp_c:.1f} Cel"
        ),
        "steps": [[block, round(ratio, 7)] for block, ratio in fit.steps],
    }


def _accepted(gauge: Gauge, rng: Random, blocks: Sequence[float], as_hung: float, temp_c: float) -> BlockFit:
    changes = [block - as_hung for block in blocks]
    tries_left = TRIES
    while True:
        tries_left -= 1
        ups, downs = (_sweep(gauge, rng, changes, temp_c) for _ in "ud")
        try:
            return fit_blocks(blocks, ups, downs, stroke_mm=gauge.stroke_mm)
        except SimulationError:
            if not tries_left:
                raise


def _sweep(gauge: Gauge, rng: Random, changes_mm: Sequence[float], temp_c: float) -> list[list[float]]:
    """Three rounds over the blocks, one way; each reading is the median of 16, as the node takes it."""
    return [[_reading(gauge, rng, change, temp_c) for _ in range(ROUNDS)] for change in changes_mm]


def _reading(gauge: Gauge, rng: Random, change_mm: float, temp_c: float) -> float:
    reads = [
        gauge.ratio(change_mm, temp_c=temp_c, added_mm=rng.gauss(0.0, 1.0) * gauge.noise_mm)
        for _ in range(READS)
    ]
    return statistics.median(reads)


@dataclass(frozen=True, slots=True)
class _Quadratic:
    """a + b t + c t**2 of t = ratio - middle."""

    middle: float
    a: float
    b: float
    c: float

    def at(self, ratio: float) -> float:
        t = ratio - self.middle
        return self.a + t * (self.b + t * self.c)

    @staticmethod
    def through(ratios: Sequence[float], mms: Sequence[float]) -> "_Quadratic":
        """Least squares, by making 1, t and t**2 orthogonal over the points."""
        middle = statistics.fmean(ratios)
        ts = [ratio - middle for ratio in ratios]
        s2 = sum(t * t for t in ts)
        tilt, level = sum(t**3 for t in ts) / s2, s2 / len(ts)
        bows = [t * t - tilt * t - level for t in ts]
        mean = statistics.fmean(mms)
        slope = sum(t * mm for t, mm in zip(ts, mms, strict=True)) / s2
        bow = sum(q * mm for q, mm in zip(bows, mms, strict=True)) / sum(q * q for q in bows)
        return _Quadratic(middle, mean - bow * level, slope - bow * tilt, bow)
