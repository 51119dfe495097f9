"""TLS on against off; it is written down, no bar is set."""

from functools import partial
from pathlib import Path

from tests.bench.intake.listener import COUNTS
from tests.bench.intake.packs import CHANNELS, SHAPES
from tests.bench.intake.pairs import Asked, Bar, apart, compare, head
from tests.bench.intake.served import Took, published, service
from tests.fakes.certificates import site_files

WINDOW = 200


def encrypted(shape: str, folder: Path) -> Took:
    """The service with a certificate."""
    tls = site_files(folder / "ca").tls
    with service(folder, intake=f'cert = "{tls.cert}"\nkey = "{tls.key}"') as served:
        return published(served, shape, COUNTS[shape], WINDOW, tls.ca)


def plain(shape: str, folder: Path) -> Took:
    """The service without."""
    with service(folder) as served:
        return published(served, shape, COUNTS[shape], WINDOW)


def run(asked: Asked) -> bool:
    """Always: there is no bar."""
    head("TLS on over off", asked)
    for shape in SHAPES:
        readings = COUNTS[shape] * SHAPES[shape] * len(CHANNELS)
        bar = Bar(name=f"{shape}, window {WINDOW}", least=None, readings=readings)
        compare(bar, apart(partial(encrypted, shape), partial(plain, shape)), asked)
    return True
