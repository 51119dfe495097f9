"""Pairs A B A B: the ratio of each, their median and range, by the wall and by processor time."""

import os
import statistics
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests.bench.intake.served import Took, flush_ms

SPREAD = 0.25  # a range beyond it, as a part of the median: a busy machine


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """How many pairs, and whether to report however much they differ."""

    pairs: int = 7
    anyway: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """A ratio of rates and what it must reach; None: it is only written down. `readings`: of one run."""

    name: str
    least: float | None
    readings: int


Side = Callable[[Path], Took]
Both = Callable[[Path], tuple[Took, Took]]


def head(what: str, asked: Asked) -> None:
    """Say what is measured, and on what kind of a machine."""
    with tempfile.TemporaryDirectory() as name:
        flush = flush_ms(Path(name))
    load = os.getloadavg()[0]
    sys.stdout.write(f"{what}: {asked.pairs} pairs, flush {flush:.2f} ms, load average {load:.2f}\n")


def apart(ours: Side, theirs: Side) -> Both:
    """A pair of two runs, each in a folder of its own."""

    def both(folder: Path) -> tuple[Took, Took]:
        (one := folder / "ours").mkdir()
        (other := folder / "theirs").mkdir()
        return ours(one), theirs(other)

    return both


def compare(bar: Bar, both: Both, asked: Asked) -> bool:
    """Run one warm-up and the pairs, and print; whether the bar was met by pairs that agree.

    The ratio is the second's seconds over the first's: above 1 the first is the quicker.
    """
    pairs = []
    for _ in range(1 + asked.pairs):
        with tempfile.TemporaryDirectory() as name:
            pairs.append(both(Path(name)))
    pairs = pairs[1:]
    wall = sorted(their.wall_s / our.wall_s for our, their in pairs)
    middle = statistics.median(wall)
    agree = max(wall[-1] - middle, middle - wall[0]) <= SPREAD * middle
    cpu = [1e6 * statistics.median(side.cpu_s for side in sides) for sides in zip(*pairs, strict=True)]
    rates = [
        bar.readings / statistics.median(side.wall_s for side in sides) for sides in zip(*pairs, strict=True)
    ]
    sys.stdout.write(
        f"  {bar.name}: {middle:.2f} ({wall[0]:.2f} to {wall[-1]:.2f}), bar {bar.least or 'none'}; "
        f"by processor time {cpu[1] / max(cpu[0], 1.0):.2f}; {rates[0]:,.0f} and {rates[1]:,.0f} readings/s, "
        f"{cpu[0] / bar.readings:.2f} and {cpu[1] / bar.readings:.2f} us a reading\n"
    )
    if not agree:
        sys.stdout.write(
            "  these pairs differ by more than a quarter: a busy machine, so they do not count\n"
        )
    return bar.least is None or (middle >= bar.least and (agree or asked.anyway))
