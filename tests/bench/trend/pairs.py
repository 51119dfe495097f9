"""Doors compared in pairs: one model of both, against their daily difference and against their rates apart.

On pairs that share a site alone, on pairs with nothing in common, and on pairs whose building sways.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from server.trend.answer import Decomposition
from server.trend.compare import Comparison, difference
from server.trend.paired import compare
from server.trend.refit import refit
from tests.bench.trend import differencing
from tests.bench.trend.doors import CUTS, KnownDoor

Pair = tuple[KnownDoor, KnownDoor]
SWAYS = ((0.05, 60.0), (0.08, 300.0))
"""Standard deviation in mm and days of a building's own movement, invented."""
UNPAIRED_BY = 5


def pair_rows(doors: Sequence[KnownDoor]) -> Iterator[str]:
    """Lines for each way of comparing, at each cut, then the coverage of all pairs that share a site."""
    paired = list(zip(doors[::2], doors[1::2], strict=True))
    inside: list[bool] = []
    for cut in CUTS:
        for way, errors in _errors(paired, cut).items():
            yield _line(f"pairs {cut:5d} d", way, errors)
            inside += [bool(off <= half) for off, half in errors] if way == "one model" else []
    yield f"pairs, all cuts, one model: covered {np.mean(inside):.3f} of {len(inside)}"
    moved = [*doors[UNPAIRED_BY:], *doors[:UNPAIRED_BY]]
    for cut in CUTS:
        for way, errors in _errors(list(zip(doors[::4], moved[::4], strict=True)), cut).items():
            yield _line(f"unlike sites {cut:5d} d", way, errors)
    for sd_mm, days in SWAYS:
        for way, errors in _errors(_swayed(paired, sd_mm, days), CUTS[1]).items():
            yield _line(f"swaying {sd_mm} mm, {days:.0f} d, {CUTS[1]} d", way, errors)


def _errors(pairs: Sequence[Pair], cut: int) -> Mapping[str, list[tuple[float, float]]]:
    """Distance from the truth and half-width of each that was told, by way of comparing."""
    found: dict[str, list[tuple[float, float]]] = {"one model": [], "difference": [], "apart": []}
    for a, b in pairs:
        if min(a.daily.day.size, b.daily.day.size) < cut:
            continue
        of_a, of_b = (refit(door.daily, door.facts, through=cut - 1) for door in (a, b))
        true = b.true_rate_mm_per_year(cut) - a.true_rate_mm_per_year(cut)
        for way, said in _ways(of_a, of_b, a).items():
            if said.difference is not None and said.high is not None:
                found[way].append((abs(said.difference - true), said.high - said.difference))
    return found


def _ways(a: Decomposition, b: Decomposition, door: KnownDoor) -> dict[str, Comparison]:
    return {
        "one model": compare(a, b, door.facts),
        "difference": differencing.compare(a, b, door.facts),
        "apart": difference(a, b),
    }


def _swayed(pairs: Sequence[Pair], sd_mm: float, days: float) -> list[Pair]:
    rng = np.random.default_rng(5)
    return [(_with(a, sway), _with(b, sway)) for a, b in pairs for sway in [_sway(rng, sd_mm, days)]]


def _with(door: KnownDoor, sway: NDArray[np.float64]) -> KnownDoor:
    moved = door.daily.value + sway[: door.daily.day.size]
    return replace(door, daily=replace(door.daily, value=moved))


def _sway(rng: np.random.Generator, sd_mm: float, days: float) -> NDArray[np.float64]:
    from scipy.signal import lfilter

    left = np.exp(-1.0 / days)
    drawn = rng.normal(0.0, sd_mm * np.sqrt(1 - left**2), 4000)
    drawn[0] = rng.normal(0.0, sd_mm)
    return np.asarray(lfilter([1.0], [1.0, -left], drawn))


def _line(what: str, way: str, errors: Sequence[tuple[float, float]]) -> str:
    off, half = np.array(errors).reshape(-1, 2).T
    return (
        f"{what}  {way:10s} told {off.size}  covered {np.mean(off <= half):.3f}"
        f"  rmse {np.sqrt(np.mean(off**2)):.4f}  half-width {np.median(half):.4f}"
    )
