"""Rates and steps of known doors, cut at 2, 3 and 5 years."""

from collections.abc import Iterator, Sequence

import numpy as np

from server.trend.decompose import Decomposition
from server.trend.refit import refit
from tests.bench.trend.doors import CUTS, KnownDoor, naive_rate

STEP_CUT, ASKED_SIZE, FIRST_ASKED, SAME_DAYS = 1826, 0.2, 20, 7


def rate_rows(
    doors: Sequence[KnownDoor], *, cuts: Sequence[int] = CUTS, asked_size: float = ASKED_SIZE
) -> Iterator[str]:
    """A line for each cut, then one for all of them and one for the steps."""
    inside: list[bool] = []
    for cut in cuts:
        long = [door for door in doors if door.daily.day.size >= cut]
        answers = [refit(door.daily, door.facts, through=cut - 1) for door in long]
        line, covered = _row(long, answers, cut)
        inside += covered
        yield line
        if cut == STEP_CUT:
            yield step_row(long, answers, asked_size=asked_size)
    yield f"all cuts: covered {np.mean(inside):.3f} of {len(inside)}"


def step_row(doors: Sequence[KnownDoor], answers: Sequence[Decomposition], *, asked_size: float) -> str:
    """Recall of the large undeclared steps, and precision of those found."""
    asked = found = right = recalled = 0
    for door, answer in zip(doors, answers, strict=True):
        made = [step.day for step in answer.steps if not step.declared]
        last = int(answer.day[-1])
        for day, size in door.step_sizes:
            if (
                day in door.undeclared
                and abs(size) >= asked_size
                and FIRST_ASKED <= day <= last - FIRST_ASKED
            ):
                asked += 1
                recalled += any(_is_same(step, day, door) for step in made)
        found += len(made)
        right += sum(any(_is_same(step, day, door) for day, _ in door.step_sizes) for step in made)
    return (
        f"steps, {STEP_CUT} d: recall {recalled}/{asked} = {recalled / max(asked, 1):.3f}"
        f"  precision {right}/{found} = {right / max(found, 1):.3f}"
    )


def _is_same(found: int, day: int, door: KnownDoor) -> bool:
    """Within 7 days, or within 7 days of the outage that the step lies in."""
    seen = door.daily.day[np.isfinite(door.daily.value)]
    before, after = seen[seen < day], seen[seen >= day]
    first = int(before[-1]) + 1 if before.size else day
    last = int(after[0]) if after.size else day
    return first - SAME_DAYS <= found <= last + SAME_DAYS


def _row(long: Sequence[KnownDoor], answers: Sequence[Decomposition], cut: int) -> tuple[str, list[bool]]:
    served = [(door, answer) for door, answer in zip(long, answers, strict=True) if answer.rate is not None]
    truth = np.array([door.true_rate_mm_per_year(cut) for door, _ in served])
    error = np.array([answer.rate for _, answer in served], dtype=float) - truth
    half = np.array([answer.interval.half_width for _, answer in served if answer.interval])
    lines = np.array([naive_rate(door.daily.up_to(cut - 1)) for door, _ in served])
    off = lines[:, 0] - truth
    rmse, naive = (float(np.sqrt(np.mean(each**2))) for each in (error, off))
    inside = np.abs(error) <= half
    row = (
        f"{cut:5d} d  {len(long):2d} doors  served {len(served) / len(long):.3f}  covered {inside.mean():.3f}"
        f"  rmse {rmse:.4f}  half-width {np.median(half):.4f}  naive rmse {naive:.3f} ({naive / rmse:.1f}x)"
        f"  naive covered {np.mean(np.abs(off) <= 1.96 * lines[:, 1]):.2f}"
    )
    return row, [bool(each) for each in inside]
