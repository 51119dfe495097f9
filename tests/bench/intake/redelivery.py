"""Packs that come again, every one of them stored already, against their first delivery."""

from functools import partial
from pathlib import Path

from tests.bench.intake.listener import COUNTS
from tests.bench.intake.packs import CHANNELS, SHAPES
from tests.bench.intake.pairs import Asked, Bar, compare, head
from tests.bench.intake.served import Took, published, service

LEAST, WINDOW = 0.40, 200


def both(shape: str, folder: Path) -> tuple[Took, Took]:
    """The second delivery, and the first, to one service."""
    with service(folder) as served:
        first = published(served, shape, COUNTS[shape], WINDOW)
        again = published(served, shape, COUNTS[shape], WINDOW)
    return again, first


def run(asked: Asked) -> bool:
    """Whether the bar was met by both shapes."""
    head("redelivery over first delivery", asked)
    met = True
    for shape in SHAPES:
        readings = COUNTS[shape] * SHAPES[shape] * len(CHANNELS)
        bar = Bar(name=f"{shape}, window {WINDOW}", least=LEAST, readings=readings)
        met &= compare(bar, partial(both, shape), asked)
    return met
