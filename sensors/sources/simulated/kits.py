"""Which displacement gauges hang at a simulated door: a kit by its name, or gauge by gauge."""

from sensors.sources.simulated.errors import SimulationError, shown
from sensors.sources.simulated.gauges import EVERY_GAUGES, KIT_GAUGES, SHOULDER_GAUGES

_HEADS, _LATCHES = ("head-hinge", "head-latch"), ("latch-bottom", "latch-top")
_DIAGONALS = ("diag-fall", "diag-rise")
_LEAF: dict[str, tuple[str, ...]] = {
    "A": (*_HEADS, *_LATCHES),
    "B": (*_HEADS, *_LATCHES, "sill-latch"),
    "C": (*_HEADS, *_LATCHES, "sill-latch", "hinge-bottom", "hinge-top"),
    "D": (*_HEADS, *_LATCHES, "sill-latch", *_DIAGONALS),
    "E": ("head-hinge", *_LATCHES, *_DIAGONALS),
    "F": (*_LATCHES, "sill-hinge", "sill-latch"),
    "G": (*_HEADS, *_LATCHES, *_DIAGONALS),
}
KITS: dict[str, tuple[str, ...]] = {
    "usual": KIT_GAUGES,
    "every": KIT_GAUGES + EVERY_GAUGES,
    **{letter: (*SHOULDER_GAUGES, *gauges) for letter, gauges in _LEAF.items()},
}


def kit_gauges(asked: str) -> tuple[str, ...]:
    """The gauges of a kit: `usual`, `every`, `A` to `G` (with the shoulder pairs), or names parted by commas.

    In the order of the wire, whatever the order asked. Raises SimulationError for another kit, a gauge that
    is not there, or one named twice.
    """
    if asked in KITS:
        return tuple(name for name in KITS["every"] if name in KITS[asked])
    names = asked.split(",")
    if not set(names) <= set(KITS["every"]):
        needed = f"{', '.join(KITS)}, or of {' '.join(KITS['every'])} some, parted by commas"
        raise SimulationError("kit", needed, shown(asked))
    if len(set(names)) < len(names):
        raise SimulationError("kit", "each gauge once", shown(asked))
    return tuple(name for name in KITS["every"] if name in names)
