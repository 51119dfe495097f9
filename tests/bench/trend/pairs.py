"""Doors that share a site and its climate, compared in pairs."""

from collections.abc import Iterator, Sequence

import numpy as np

from server.trend.paired import compare
from server.trend.refit import refit
from tests.bench.trend.doors import CUTS, KnownDoor


def pair_rows(doors: Sequence[KnownDoor]) -> Iterator[str]:
    """A line for each cut, then the coverage of all."""
    inside: list[bool] = []
    for cut in CUTS:
        pairs = [
            (a, b)
            for a, b in zip(doors[::2], doors[1::2], strict=True)
            if min(a.daily.day.size, b.daily.day.size) >= cut
        ]
        error, half = [], []
        for a, b in pairs:
            of_a, of_b = (refit(door.daily, door.facts, through=cut - 1) for door in (a, b))
            said = compare(of_a, of_b, a.facts)
            if said.difference is None or said.high is None:
                continue
            true = b.true_rate_mm_per_year(cut) - a.true_rate_mm_per_year(cut)
            error.append(said.difference - true)
            half.append(said.high - said.difference)
        covered = [bool(abs(off) <= wide) for off, wide in zip(error, half, strict=True)]
        inside += covered
        yield (
            f"pairs {cut:5d} d  {len(pairs)} pairs  served {len(error)}  covered {np.mean(covered):.3f}"
            f"  rmse {np.sqrt(np.mean(np.square(error))):.4f}  half-width {np.median(half):.4f}"
        )
    yield f"pairs, all cuts: covered {np.mean(inside):.3f} of {len(inside)}"
