"""Trials of pairs with nothing to find, through the real comparison: how often each bound says otherwise.

Run as `python -m tests.bench.trend.trials [PAIRS [FILE [PROCESSES]]]`: 400 pairs, in one process, unless
said otherwise. FILE keeps the looks: pairs that it holds are not looked at again. A pair takes some seven
seconds of a core. Looks are weekly from one year to six. Invented data.
"""

import json
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from itertools import islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from server.trend.answer import PLUGGED_IN, Z_95, Kept
from server.trend.paired import WIDEST, compare_sides
from server.trend.paired_nights import PairKept, side_of, with_watched
from server.trend.series import DAYS_PER_YEAR
from server.trend.trial_error import TURN_MRAD
from server.trend.trial_fence import METHODS, NEWEST
from server.trend.trial_plan import Ask, chance_told
from server.trend.watch import Watched, carried, nights
from tests.bench.trend.doors import KnownDoor
from tests.bench.trend.filtered import filtered
from tests.bench.trend.joints import FACTS, known_joints

FloatArray = NDArray[np.float64]
PAIRS, YEARS, WEEK = 400, 6, 7
FIRST_DAY = 366
FIRST_SEED = 100
PLAIN = 1.96
WALKS = 20_000
AT_ONCE = 4
TOLD = ((1, (0.08, 0.15)), (3, (0.05, 0.10)), (6, (0.05, 0.10)))
"""Pairs, and differences put into them, over the scale."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """Weekly looks at one pair: years, difference and standard error over the scale, NaN where not served."""

    years: FloatArray
    difference: FloatArray
    se: FloatArray

    def is_outside(self, factors: FloatArray) -> bool:
        """Whether 0 was outside the bounds at any look."""
        return bool((np.abs(self.difference) > factors * self.se).any())


def even_pairs(count: int) -> Iterator[tuple[KnownDoor, KnownDoor]]:
    """Pairs of sound joints of which the one keeps just what the other keeps."""
    seed = FIRST_SEED
    while count > 0:
        sound = known_joints("turn", seed)[1::2]
        for a, b in list(zip(sound[::2], sound[1::2], strict=False))[:count]:
            value = b.daily.value + a.secular_mm - b.secular_mm
            yield a, replace(b, daily=replace(b.daily, value=value), secular_mm=a.secular_mm)
            count -= 1
        seed += 1


def looked_weekly(a: KnownDoor, b: KnownDoor) -> Looked:
    """Every weekly look of six years; a look that is refused keeps what the last one said.

    Each door is watched night by night; between two fits, and between two steps found, all looks are taken
    by one forward filter, which is the service's one solve a night reckoned another way.
    """
    watches = tuple(_watched(one) for one in (a, b))
    looks = list(range(FIRST_DAY, round(YEARS * DAYS_PER_YEAR) + 1, WEEK))
    difference, se = np.full(len(looks), np.nan), np.full(len(looks), np.nan)
    for kept, known, span in _spans(watches, looks, (a, b)):
        sides = [
            side_of(with_watched(own, since, 0), one.daily.up_to(looks[span[-1]]), one.facts)
            for own, since, one in zip(kept.doors, known, (a, b), strict=True)
        ]
        if kept.shares is None or sides[0] is None or sides[1] is None:
            continue
        nights = filtered(sides[0], sides[1], kept.shares, np.array(looks)[span])
        difference[span], se[span] = nights.difference, PLUGGED_IN * nights.se
    se[Z_95 * se > WIDEST] = np.nan
    return Looked(
        years=np.array(looks) / DAYS_PER_YEAR,
        difference=_held(np.where(np.isfinite(se), difference, np.nan)),
        se=_held(se),
    )


def _watched(door: KnownDoor) -> dict[int, Watched]:
    """The watch of each night, by its day."""
    record = door.daily.up_to(round(YEARS * DAYS_PER_YEAR))
    return {int(record.day[one.place]): one for one, _ in nights(record, door.facts)}


def _spans(
    watches: tuple[dict[int, Watched], ...], looks: list[int], doors: tuple[KnownDoor, KnownDoor]
) -> Iterator[tuple[PairKept, tuple[Kept, Kept], list[int]]]:
    """Looks that share fits and steps: what was fitted, what the watches carry, the places of the looks."""
    kept: PairKept | None = None
    span: list[int] = []
    found: tuple[Kept, ...] = ()
    for place, day in enumerate(looks):
        if any(day not in watch for watch in watches):
            continue
        now = tuple(carried(watch[day], 0) for watch in watches)
        fitted = tuple(watch[day].kept for watch in watches)
        is_new = kept is None or fitted != kept.doors
        if span and (is_new or [one.steps for one in now] != [one.steps for one in found]):
            yield kept, (found[0], found[1]), span  # type: ignore[misc]  # a span has what it was laid with
            span = []
        if is_new:
            kept = _fitted(doors, fitted, watches, day)
        span, found = [*span, place], now
    if span and kept is not None:
        yield kept, (found[0], found[1]), span


def _fitted(
    doors: tuple[KnownDoor, KnownDoor],
    fitted: tuple[Kept, ...],
    watches: tuple[dict[int, Watched], ...],
    day: int,
) -> PairKept:
    age = max(one.through for one in fitted)
    sides = [
        side_of(kept, one.daily.up_to(kept.through), one.facts)
        for kept, one in zip(fitted, doors, strict=True)
    ]
    if sides[0] is None or sides[1] is None:
        return PairKept(doors=(fitted[0], fitted[1]), shares=None, age=age)
    said = compare_sides(sides[0], sides[1], doors[1].facts)
    return PairKept(doors=(fitted[0], fitted[1]), shares=said.shares, age=age)


def _held(values: FloatArray) -> FloatArray:
    """Each look that was refused as the last one that was not."""
    last = np.maximum.accumulate(np.where(np.isfinite(values), np.arange(values.size), -1))
    return np.where(last >= 0, values[last], np.nan)


def leaving_rate(se: FloatArray, factors: FloatArray) -> float:
    """How often a Brownian motion in information 1/se^2 is outside the factors at any of its looks."""
    rng, info = np.random.default_rng(1), np.maximum.accumulate(1.0 / se**2)
    steps = np.sqrt(np.diff(np.concatenate([[0.0], info])))
    outside = 0
    for _ in range(WALKS // 1000):
        walk = np.cumsum(rng.normal(size=(1000, se.size)) * steps, axis=1)
        outside += int((np.abs(walk) > factors * np.sqrt(info)).any(axis=1).sum())
    return outside / WALKS


def main(arguments: list[str]) -> None:
    """Look at every pair that the file does not hold, say so as it goes on, and print the tables."""
    count = int(arguments[0]) if arguments else PAIRS
    file = Path(arguments[1]) if arguments[1:] else None
    processes = int(arguments[2]) if arguments[2:] else 1
    found = _read(file)[:count]
    pairs = islice(even_pairs(count), len(found), None)
    with ProcessPoolExecutor(processes) as pool:
        while some := list(islice(pairs, AT_ONCE * processes)):
            found += pool.map(looked_weekly, *zip(*some, strict=True))
            _keep(file, found)
            _say(f"{len(found)} pairs looked at")
    for row in (*_claim_rows(found), *_error_rows(found), *_power_rows(found)):
        _say(row)


def _read(file: Path | None) -> list[Looked]:
    if file is None or not file.exists():
        return []
    kept = json.loads(file.read_text("utf-8"))
    return [Looked(**{name: np.array(values) for name, values in one.items()}) for one in kept]


def _keep(file: Path | None, found: list[Looked]) -> None:
    if file is not None:
        kept = [{name: values.tolist() for name, values in asdict(one).items()} for one in found]
        file.write_text(json.dumps(kept), "utf-8")


def _claim_rows(found: list[Looked]) -> Iterator[str]:
    """How often each bound leaves out the truth: in these pairs, and along their median error."""
    years = found[0].years
    at, median = _median_error(found)
    for name, method in METHODS.items():
        outside = sum(one.is_outside(method.factor(years / YEARS)) for one in found)
        walk = leaving_rate(median, method.factor(at / YEARS))
        yield f"{len(found)} pairs, nothing to find: {name} outside in {outside}; along the median {walk:.4f}"
    outside = sum(one.is_outside(np.full(years.size, PLAIN)) for one in found)
    walk = leaving_rate(median, np.full(at.size, PLAIN))
    yield f"  plain interval outside in {outside}; along the median {walk:.4f}"


def _error_rows(found: list[Looked]) -> Iterator[str]:
    """The error by the years, over the scale and in mrad, and how the information grows."""
    at, median = _median_error(found)
    two, six = (float(np.interp(year, at, median)) for year in (2.0, 6.0))
    yield f"information grows from year 2 to 6 as time to the {2 * np.log(two / six) / np.log(3):.2f}"
    years, every = found[0].years, np.array([one.se for one in found])
    for year in (1.25, 1.5, 1.75, 2.0, 2.25, 2.5, 3.0, 4.0, 5.0, 6.0):
        place = int(np.argmin(np.abs(years - year)))
        off = np.array([one.difference[place] for one in found])
        served = np.isfinite(off)
        if served.any():
            se = float(np.median(every[served, place]))
            yield (
                f"year {year:g}: sd of the difference {off[served].std():.4f} (over the scale), median se "
                f"{se:.4f}, {se * FACTS['turn'].scale:.4f} mrad, served {served.sum()}"
            )


def _median_error(found: list[Looked]) -> tuple[FloatArray, FloatArray]:
    """Years at which more than half of the pairs are served, and the median of their errors."""
    every = np.array([one.se for one in found])
    served = np.isfinite(every).sum(axis=0) > len(found) / 2
    return found[0].years[served], np.nanmedian(every[:, served], axis=0)


def _power_rows(found: list[Looked]) -> Iterator[str]:
    """How often a difference put into these pairs is told by each year, beside what the planner promises."""
    years, scale = found[0].years, FACTS["turn"].scale
    factors = NEWEST.factor(years / YEARS)
    for pairs, differences in TOLD:
        sets = len(found) // pairs
        if not sets:
            continue
        d = np.array([one.difference for one in found[: sets * pairs]]).reshape(sets, pairs, -1).mean(axis=1)
        square = np.array([one.se**2 for one in found[: sets * pairs]]).reshape(sets, pairs, -1)
        se = np.sqrt(square.sum(axis=1)) / pairs
        for apart in differences:
            told = np.logical_or.accumulate(np.abs(d + apart) > factors * se, axis=1)
            ask = Ask(pairs=pairs, horizon_years=float(YEARS), difference=apart * scale, error=TURN_MRAD)
            by_year = ", ".join(
                f"{year} {told[:, np.searchsorted(years, year, side='right') - 1].mean():.3f} "
                f"({chance_told(ask, float(year)):.3f})"
                for year in range(2, YEARS + 1)
            )
            yield f"{pairs} pairs, {apart * scale:.3f} mrad a year, {sets} sets: told (planned) by {by_year}"


def _say(row: str) -> None:
    sys.stdout.write(f"{row}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1:])
