"""The service as it is, against the same without rollups, until all is stored and every day is made.

The generator's last PUBACK ends the time: what is rolled up while packs come is what it costs them.
"""

import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from tests.bench.intake.listener import COUNTS
from tests.bench.intake.packs import CHANNELS, SHAPES
from tests.bench.intake.pairs import Asked, Bar, apart, compare, head
from tests.bench.intake.served import HANGTRUE, Took, published, service

LEAST, WINDOW = 0.75, 200
UNROLLED = (sys.executable, "-m", "tests.bench.intake.unrolled")


def side(program: Sequence[str], shape: str, folder: Path) -> Took:
    """One delivery to a service of this kind."""
    with service(folder, program=program) as served:
        return published(served, shape, COUNTS[shape], WINDOW)


def run(asked: Asked) -> bool:
    """Whether the bar was met by both shapes."""
    head("rollups on over off", asked)
    met = True
    for shape in SHAPES:
        readings = COUNTS[shape] * SHAPES[shape] * len(CHANNELS)
        bar = Bar(name=f"{shape}, window {WINDOW}", least=LEAST, readings=readings)
        both = apart(partial(side, (HANGTRUE,), shape), partial(side, UNROLLED, shape))
        met &= compare(bar, both, asked)
    return met
