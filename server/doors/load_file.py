"""The file of a load test: readings of gauges or diagonals, unloaded and loaded, cycle by cycle."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from server.doors.toml_table import Table, open_sheet
from server.errors import FileError
from server.joinery.loadtest import GREATEST_LOAD_KG

PLACES, STATES = ("hung", "bench"), ("glued", "dry")
FEWEST_CYCLES = 5
DIAGONALS = ("diag-fall", "diag-rise")
EXAMPLE = """\
# A load test: readings in mm, unloaded and loaded, one of each a cycle. The figures are invented.
day = "2026-05-02"
place = "hung"               # hung, bench
state = "glued"              # glued, dry
mass_kg = 10                 # at most 10
strap_mm = 0                 # height of the strap at the latch edge, from the foot of the leaf
moisture_change_pct = 0.1    # of the wood, over the 24 hours before; hung alone
repeat_mm = 0.005            # how well a gauge repeats within minutes

# [consent]                  # of its keeper, in writing: a rated door is not loaded without
# by = "..."
# on = "2026-04-20"
# words = "..."

# [diagonals]                # on the bench: between which corners they run, from hinge edge and foot
# x_mm = [60, 990]
# y_mm = [100, 2050]

[unloaded]                   # by gauge, one reading a cycle, five or more; the first cycle is thrown away
diag-fall = [0.000, 0.002, 0.001, 0.003, 0.002, 0.001]
diag-rise = [0.000, 0.001, 0.002, 0.001, 0.001, 0.002]

[loaded]
diag-fall = [0.086, 0.080, 0.078, 0.081, 0.077, 0.079]
diag-rise = [-0.085, -0.074, -0.076, -0.073, -0.077, -0.075]
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Consent:
    """The keeper's written consent to load a rated door."""

    by: str
    on: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadFile:
    """A load test as it was read; readings by gauge, mm, one a cycle.

    `diagonals_mm`: x and y between which the diagonals run on the bench, None for the door's own gauges.
    """

    day: date
    place: str
    state: str
    mass_kg: float
    strap_mm: float
    moisture_change_pct: float | None
    repeat_mm: float
    consent: Consent | None
    diagonals_mm: tuple[tuple[float, float], tuple[float, float]] | None
    unloaded_mm: Mapping[str, tuple[float, ...]]
    loaded_mm: Mapping[str, tuple[float, ...]]


def read_load_file(text: str, *, where: str) -> LoadFile:
    """The load test of a TOML text. Raises FileError with every complaint at once."""
    root = open_sheet(text, where)
    made = LoadFile(
        day=read_day(root, "day"),
        place=root.choice("place", PLACES),
        state=root.choice("state", STATES),
        mass_kg=root.number("mass_kg", 0.1, GREATEST_LOAD_KG),
        strap_mm=root.number("strap_mm", 0, 4000, default=0),
        moisture_change_pct=root.maybe("moisture_change_pct", 0, 20),
        repeat_mm=root.number("repeat_mm", 0.0005, 0.05, default=0.005),
        consent=_consent(root),
        diagonals_mm=_diagonals(root),
        unloaded_mm=_readings(root.table("unloaded")),
        loaded_mm=_readings(root.table("loaded")),
    )
    _check_cycles(root, made)
    root.close()
    if root.sheet.complaints:
        said = [sentence for _, sentence in sorted(root.sheet.complaints)]
        raise FileError(f"read {where}", "every key to be usable", said)
    return made


def read_day(table: Table, key: str) -> date:
    """A day written as text, `2026-05-02`; the first of all days where it cannot be used."""
    text = table.text(key)
    try:
        return date.fromisoformat(text)
    except ValueError:
        if text:
            table.complain(key, f"{text!r:.40} came, a day such as 2026-05-02 is needed")
        return date.min


def _consent(root: Table) -> Consent | None:
    if "consent" not in root.tree:
        return None
    table = root.table("consent")
    consent = Consent(
        by=table.text("by", longest=80),
        on=read_day(table, "on").isoformat(),
        words=table.text("words"),
    )
    table.close()
    return consent


def _diagonals(root: Table) -> tuple[tuple[float, float], tuple[float, float]] | None:
    if "diagonals" not in root.tree:
        return None
    table = root.table("diagonals")
    found = {key: table.numbers(key, 0, 4000) for key in ("x_mm", "y_mm")}
    for key, ends in found.items():
        if ends and len(ends) != 2:
            table.complain(key, f"{len(ends)} numbers came, the two ends are needed")
    table.close()
    x, y = (sorted(ends) if len(ends) == 2 else [0.0, 0.0] for ends in found.values())
    return (x[0], x[1]), (y[0], y[1])


def _readings(table: Table) -> dict[str, tuple[float, ...]]:
    return {name: table.numbers(name, -5000, 5000) for name in table.keys()}  # noqa: SIM118  (a Table counts them as asked for)


def _check_cycles(root: Table, made: LoadFile) -> None:
    if set(made.unloaded_mm) != set(made.loaded_mm) or not made.loaded_mm:
        came = ", ".join(sorted(set(made.unloaded_mm) ^ set(made.loaded_mm))) or "none"
        root.complain("loaded", f"{came:.80} came on one side, the same gauges on both are needed")
    lengths = {len(readings) for side in (made.unloaded_mm, made.loaded_mm) for readings in side.values()}
    if len(lengths) > 1:
        root.complain("loaded", "unlike numbers of readings came, one reading a gauge and cycle is needed")
    elif lengths and min(lengths) < FEWEST_CYCLES:
        root.complain("loaded", f"{min(lengths)} cycles came, {FEWEST_CYCLES} or more are needed")
    if made.place == "bench" and made.loaded_mm and set(made.loaded_mm) != set(DIAGONALS):
        root.complain("loaded", f"other gauges came, {' and '.join(DIAGONALS)} are needed on the bench")
