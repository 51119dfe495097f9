"""How long the reckonings of a door take: `python -m tests.bench.joinery`. Ends with 1 if a bar is missed.

Bars: inversion and residuals of a door-day 2 ms, the frame of a door 5 ms, the search of 1001 kits 2 s; in
processor time, the least of several.
"""

import sys
from collections.abc import Callable, Iterator
from time import process_time

import numpy as np

from server.joinery.frame import leaf_frame
from server.joinery.kit import Place, plan
from server.joinery.leaf import Growth, moved
from server.joinery.suspects import suspicion
from tests.joinery import yard

KIT = yard.cases("joinery")["kit-table"]["input"]["kits"]["D"]
DAY_MS, FRAME_MS, SEARCH_MS = 2.0, 5.0, 2000.0
GROWTH = Growth(mean=np.zeros(1), sd=np.array([4e-5]))
TIMES = 7


def rows() -> Iterator[tuple[str, float, float]]:
    """What is reckoned, how long it takes and may take, ms."""
    stations = {name: yard.STATIONS[name] for name in KIT}
    change = dict(zip(KIT, np.linspace(-0.3, 0.3, len(KIT)).tolist(), strict=True))
    day = np.array([list(change.values())])

    def one_day() -> None:
        moved(yard.SHAPE, list(stations.values()), day, opening="leans", growth=GROWTH)
        suspicion(yard.SHAPE, stations, change, opening="leans", growth=GROWTH)

    yield "inversion and residuals of a door-day", least_ms(one_day, 50), DAY_MS
    for name in ("north", "south"):
        leaf = yard.leaf(name)
        yield f"frame of {name}", least_ms(lambda leaf=leaf: leaf_frame(leaf), 20), FRAME_MS  # type: ignore[misc]
    # 4 of 14 places are 1001 kits.
    places = yard.STATIONS | {name: yard.TILTS[name] for name in ("tilt-latch-stile", "tilt-jamb")}
    place = Place(shape=yard.SHAPE, opening="leans")
    yield "search of 1001 kits", least_ms(lambda: plan(place, places, 4), 1), SEARCH_MS


def least_ms(reckon: Callable[[], object], often: int) -> float:
    """The least of several runs, each of `often` reckonings, for one of them."""
    taken = []
    for _ in range(TIMES):
        start = process_time()
        for _ in range(often):
            reckon()
        taken.append((process_time() - start) / often)
    return 1000 * min(taken)


def main() -> int:
    """Print each figure with its bar."""
    missed = 0
    for what, took_ms, bar_ms in rows():
        missed += took_ms > bar_ms
        sys.stdout.write(f"{what}: {took_ms:.3f} ms of {bar_ms:g} ({took_ms / bar_ms:.2f} of its bar)\n")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
