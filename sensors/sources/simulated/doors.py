"""The two invented doors: their figures, which of them opens, and how they may be varied."""

from dataclasses import dataclass, replace
from typing import Literal

from sensors.sources.simulated.draws import stream
from sensors.sources.simulated.errors import SimulationError, shown

JOINTS = ("lock-hinge", "lock-latch", "top-hinge", "top-latch")
_VARY_SD = 0.4
OpeningChoice = Literal["none"] | tuple[str, float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """A joint that lets go from a day on: rho (y - y_on)^power mrad, a share of which racks the leaf."""

    joint: str
    onset_day: float
    rho_mrad: float
    power: float = 1.4
    share: float = 0.16

    def turn_mrad(self, years: float) -> float:
        """What the joint has opened by, in mrad, so many years after the start; 0 up to its onset."""
        since = years - self.onset_day / 365.25
        return self.rho_mrad * since**self.power if since > 0.0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DoorBuild:
    """What a door is made of, as far as it moves. Invented: it says nothing of which joint is better."""

    joint: str
    d20_mm2_per_day: float
    film_outer_mm_per_day: float
    film_inner_mm_per_day: float
    hysteresis_pct: float
    across_per_pct: float
    along_per_pct: float
    glue_up_pct: float
    anchor_mm: float
    rack_mrad: float
    rack_per_pct: float
    set_mrad: float
    set_power: float
    ratchet_mrad_per_pct: float
    turn_mrad: tuple[float, float, float, float]
    hinge_top_mm_per_year: float
    hinge_bottom_mm_per_year: float
    hinge_drop_mm_per_year: float
    lean_mrad_per_year: float
    head_mrad_per_year: float


DOORS: dict[str, DoorBuild] = {
    "north": DoorBuild(
        joint="single deep mortise and tenon",
        d20_mm2_per_day=5.6,
        film_outer_mm_per_day=0.12,
        film_inner_mm_per_day=1.40,
        hysteresis_pct=0.40,
        across_per_pct=0.00205,
        along_per_pct=0.00004,
        glue_up_pct=12.6,
        anchor_mm=45.0,
        rack_mrad=0.24,
        rack_per_pct=0.020,
        set_mrad=0.055,
        set_power=0.30,
        ratchet_mrad_per_pct=0.0009,
        turn_mrad=(0.11, 0.09, 0.16, 0.19),
        hinge_top_mm_per_year=0.045,
        hinge_bottom_mm_per_year=0.002,
        hinge_drop_mm_per_year=0.010,
        lean_mrad_per_year=0.004,
        head_mrad_per_year=0.006,
    ),
    "south": DoorBuild(
        joint="stub tenon and loose tenons",
        d20_mm2_per_day=7.1,
        film_outer_mm_per_day=0.10,
        film_inner_mm_per_day=1.10,
        hysteresis_pct=0.55,
        across_per_pct=0.00218,
        along_per_pct=0.00005,
        glue_up_pct=12.4,
        anchor_mm=19.0,
        rack_mrad=0.35,
        rack_per_pct=0.022,
        set_mrad=0.070,
        set_power=0.28,
        ratchet_mrad_per_pct=0.0011,
        turn_mrad=(0.24, 0.20, 0.34, 0.39),
        hinge_top_mm_per_year=0.020,
        hinge_bottom_mm_per_year=0.001,
        hinge_drop_mm_per_year=0.006,
        lean_mrad_per_year=0.009,
        head_mrad_per_year=0.003,
    ),
}
DEMO_OPENINGS = {"north": Opening(joint="lock-hinge", onset_day=560.0, rho_mrad=0.10)}
_OTHER = {"north": "south", "south": "north"}


def build_of(door: str, *, seed: int, vary: bool = False) -> DoorBuild:
    """The figures of a door; with `vary` each of its rates is drawn log-normally about its value, sd 0.4.

    Raises SimulationError for a door that is not in the yard.
    """
    if door not in DOORS:
        raise SimulationError("simulated door", " or ".join(DOORS), shown(door))
    build = DOORS[door]
    return _varied(build, door, seed) if vary else build


def opening_of(door: str, choice: OpeningChoice = None, *, swap: bool = False) -> Opening | None:
    """The opening of a door: by default the demo's, with `swap` the other door's; "none" for none.

    Raises SimulationError for a joint that is not there, a day or a size below 0, and for a swap of an
    opening that was named.
    """
    if choice is None:
        return DEMO_OPENINGS.get(_OTHER[door] if swap else door)
    if swap:
        raise SimulationError("swap", "the demo's own opening", f"opening {shown(choice)}")
    if choice == "none":
        return None
    joint, onset_day, rho_mrad = choice
    if joint not in JOINTS:
        raise SimulationError("opening: joint", " or ".join(JOINTS), shown(joint))
    if not (0.0 <= onset_day < 1e5 and 0.0 < rho_mrad < 100.0):
        needed = "a day of 0 or later and more than 0 mrad"
        raise SimulationError("opening", needed, f"day {onset_day:g}, {rho_mrad:g} mrad")
    return Opening(joint=joint, onset_day=onset_day, rho_mrad=rho_mrad)


def _varied(build: DoorBuild, door: str, seed: int) -> DoorBuild:
    draw = stream(seed, door, "vary").lognormvariate
    a, b, c, d = build.turn_mrad
    return replace(
        build,
        set_mrad=build.set_mrad * draw(0.0, _VARY_SD),
        ratchet_mrad_per_pct=build.ratchet_mrad_per_pct * draw(0.0, _VARY_SD),
        hinge_top_mm_per_year=build.hinge_top_mm_per_year * draw(0.0, _VARY_SD),
        hinge_bottom_mm_per_year=build.hinge_bottom_mm_per_year * draw(0.0, _VARY_SD),
        hinge_drop_mm_per_year=build.hinge_drop_mm_per_year * draw(0.0, _VARY_SD),
        lean_mrad_per_year=build.lean_mrad_per_year * draw(0.0, _VARY_SD),
        head_mrad_per_year=build.head_mrad_per_year * draw(0.0, _VARY_SD),
        turn_mrad=(
            a * draw(0.0, _VARY_SD),
            b * draw(0.0, _VARY_SD),
            c * draw(0.0, _VARY_SD),
            d * draw(0.0, _VARY_SD),
        ),
    )
