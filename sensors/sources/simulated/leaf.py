"""The leaf in its opening: three members as complex numbers, and what each gauge would read.

X to the latch and Y up from the leaf's bottom hinge corner, mm; the real axis is X, the imaginary one Y.
Angles are positive clockwise (the latch side goes down).
"""

import cmath
import math
from dataclasses import dataclass

WIDTH_MM, HEIGHT_MM, STILE_MM, RAIL_MM = 1050.0, 2150.0, 120.0, 810.0
HINGE_GAP_MM, HEAD_GAP_MM, LATCH_GAP_MM, SILL_GAP_MM = 2.0, 3.0, 3.0, 8.0
MIDDLE_MM = 1075.0
HINGES_APART_MM = 1650.0
OPENING_WIDTH_MM = HINGE_GAP_MM + WIDTH_MM + LATCH_GAP_MM
OPENING_HEIGHT_MM = SILL_GAP_MM + HEIGHT_MM + HEAD_GAP_MM
FOOT_TOP_MM, FOOT_BOTTOM_MM = 3.0, 2.7
SHOULDER_ROUND_MM = 0.015

EDGE_GAUGES = (
    "head-hinge",
    "head-latch",
    "latch-bottom",
    "latch-top",
    "sill-latch",
    "diag-fall",
    "diag-rise",
    "sill-hinge",
    "hinge-bottom",
    "hinge-top",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Movement:
    """Where leaf and frame are, counted from as hung and 12.0 % moisture: mm, radians, strains."""

    u_mm: float = 0.0
    v_mm: float = 0.0
    phi_rad: float = 0.0
    gamma_rad: float = 0.0
    stile_strain: float = 0.0
    grain_strain: float = 0.0
    lean_rad: float = 0.0
    head_rad: float = 0.0


def leaf_point(x_mm: float, y_mm: float, move: Movement) -> complex:
    """A point of the leaf, grown and racked, in its own axes (origin: hinge edge, middle height)."""
    grown, along = 1.0 + move.stile_strain, 1.0 + move.grain_strain
    height = complex(0.0, (y_mm - MIDDLE_MM) * along)
    if x_mm <= STILE_MM:
        return x_mm * grown + height
    rail = min(x_mm - STILE_MM, RAIL_MM) * along * cmath.exp(complex(0.0, -move.gamma_rad))
    beyond = max(x_mm - STILE_MM - RAIL_MM, 0.0)
    return STILE_MM * grown + height + rail + beyond * grown


def edge_readings_mm(move: Movement) -> tuple[float, ...]:
    """What the gauges of EDGE_GAUGES read for a movement, in that order: gaps and diagonal lengths, mm."""
    turn = cmath.exp(complex(0.0, -move.phi_rad))
    corner = complex(HINGE_GAP_MM + move.u_mm, SILL_GAP_MM + MIDDLE_MM + move.v_mm)
    lean = cmath.exp(complex(0.0, -move.lean_rad))
    head = cmath.exp(complex(0.0, move.lean_rad + move.head_rad))
    head_foot = complex(0.0, OPENING_HEIGHT_MM) * lean

    def world(x_mm: float, y_mm: float) -> complex:
        return (corner + leaf_point(x_mm, y_mm, move) * turn) * lean

    def from_jamb(place: complex) -> float:
        return (place * lean.conjugate()).real

    def below_head(place: complex) -> float:
        return ((head_foot - place) * head).imag

    top_hinge, top_latch = world(60.0, 2050.0), world(990.0, 2050.0)
    low_hinge, low_latch = world(60.0, 100.0), world(990.0, 100.0)
    return (
        below_head(world(60.0, HEIGHT_MM)),
        below_head(world(990.0, HEIGHT_MM)),
        OPENING_WIDTH_MM - from_jamb(world(WIDTH_MM, 100.0)),
        OPENING_WIDTH_MM - from_jamb(world(WIDTH_MM, 2050.0)),
        world(990.0, 0.0).imag,
        abs(top_hinge - low_latch),
        abs(low_hinge - top_latch),
        world(60.0, 0.0).imag,
        from_jamb(world(0.0, 100.0)),
        from_jamb(world(0.0, 2050.0)),
    )


AS_HUNG_MM = edge_readings_mm(Movement())


def shoulder_readings_mm(
    *, opening_mm: float, turn_mrad: float, spacing_mm: float, at_hinge: bool, face_strain: float
) -> tuple[float, float]:
    """Top and bottom gauge across one shoulder, mm; their difference over the spacing is the turn.

    opening_mm is what the stile's shrinkage would open (negative: it presses, and the shoulder touches);
    face_strain is the stile's strain at the face where the gauges' feet sit.
    """
    base = 0.5 * (opening_mm + math.hypot(opening_mm, SHOULDER_ROUND_MM))
    half = turn_mrad / 1000.0 * spacing_mm / 2.0 * (1.0 if at_hinge else -1.0)
    return base + half + FOOT_TOP_MM * face_strain, base - half + FOOT_BOTTOM_MM * face_strain
