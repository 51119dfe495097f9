"""The listener against raw `executemany` of the same rows, as many a commit."""

from functools import partial
from pathlib import Path

from tests.bench.intake.packs import CHANNELS, SHAPES
from tests.bench.intake.pairs import Asked, Bar, apart, compare, head
from tests.bench.intake.served import Took, published, ran, service

COUNTS = {"live": 20_000, "back-fill": 4_000}
BARS = {("live", 20): 0.35, ("live", 200): 0.35, ("back-fill", 20): 0.45, ("back-fill", 200): 0.50}


def ours(shape: str, window: int, folder: Path) -> Took:
    """The service, on an empty database."""
    with service(folder) as served:
        return published(served, shape, COUNTS[shape], window)


def raw(shape: str, window: int, folder: Path) -> Took:
    """The standard library alone."""
    return ran("baseline", folder / "raw.db", shape, COUNTS[shape], window)


def run(asked: Asked) -> bool:
    """Whether each bar was met."""
    head("listener over raw executemany", asked)
    met = True
    for (shape, window), least in BARS.items():
        readings = COUNTS[shape] * SHAPES[shape] * len(CHANNELS)
        name = f"{shape}, {SHAPES[shape]} x {len(CHANNELS)}, window {window}"
        bar = Bar(name=name, least=least, readings=readings)
        met &= compare(bar, apart(partial(ours, shape, window), partial(raw, shape, window)), asked)
    return met
