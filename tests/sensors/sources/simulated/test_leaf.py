"""The leaf's members against the exact map of the joinery design, written here apart, in real numbers."""

import math
from random import Random

import pytest

from sensors.sources.simulated.leaf import (
    AS_HUNG_MM,
    EDGE_GAUGES,
    Movement,
    edge_readings_mm,
    shoulder_readings_mm,
)

B, H, WS, LR, YH = 1050.0, 2150.0, 120.0, 810.0, 1075.0
GH, GK, GL, GS = 2.0, 3.0, 3.0, 8.0
WIDE, HIGH = GH + B + GL, GS + H + GK
STATIONS = {
    "head-hinge": ("head", (60.0, H)),
    "head-latch": ("head", (990.0, H)),
    "latch-bottom": ("latch", (B, 100.0)),
    "latch-top": ("latch", (B, 2050.0)),
    "sill-latch": ("sill", (990.0, 0.0)),
    "diag-fall": ("diag", (60.0, 2050.0, 990.0, 100.0)),
    "diag-rise": ("diag", (60.0, 100.0, 990.0, 2050.0)),
    "sill-hinge": ("sill", (60.0, 0.0)),
    "hinge-bottom": ("hinge", (0.0, 100.0)),
    "hinge-top": ("hinge", (0.0, 2050.0)),
}


def exact(move: Movement, x: float, y: float) -> tuple[float, float, float]:
    """The design's xi and eta (jamb axes) and y (datum); its eps and lam come from the two strains."""
    eps, lam = move.stile_strain * 240.0 / B, move.grain_strain
    r = min(max(x - WS, 0.0), LR)
    e = B / (2.0 * WS) * (min(x, WS) + max(x - B + WS, 0.0))
    dx = x + eps * e + r * ((1.0 + lam) * math.cos(move.gamma_rad) - 1.0)
    dy = (1.0 + lam) * ((y - YH) - r * math.sin(move.gamma_rad))
    c, s = math.cos(move.phi_rad), math.sin(move.phi_rad)
    xi = GH + move.u_mm + dx * c + dy * s
    eta = GS + YH + move.v_mm - dx * s + dy * c
    return xi, eta, -xi * math.sin(move.lean_rad) + eta * math.cos(move.lean_rad)


def reading(move: Movement, name: str) -> float:
    kind, place = STATIONS[name]
    xi, eta, y = exact(move, place[0], place[1])
    if kind == "diag":
        other = exact(move, place[2], place[3])
        return math.hypot(xi - other[0], eta - other[1])
    head = (HIGH - eta) * math.cos(move.head_rad) - xi * math.sin(move.head_rad)
    return {"head": head, "latch": WIDE - xi, "sill": y, "hinge": xi}[kind]


def test_equals_the_exact_map_on_300_random_states() -> None:
    rng = Random(20)
    for _ in range(300):
        move = Movement(
            u_mm=rng.gauss(0.0, 0.3),
            v_mm=rng.gauss(0.0, 1.0),
            phi_rad=rng.gauss(0.0, 1e-3),
            gamma_rad=rng.gauss(0.0, 1e-3),
            stile_strain=rng.gauss(0.0, 8e-3),
            grain_strain=rng.gauss(0.0, 3e-4),
            lean_rad=rng.gauss(0.0, 1e-3),
            head_rad=rng.gauss(0.0, 1e-3),
        )
        expected = [reading(move, name) for name in EDGE_GAUGES]
        assert edge_readings_mm(move) == pytest.approx(expected, abs=1e-9)


def test_as_hung_gaps() -> None:
    diagonal = math.hypot(930.0, 1950.0)
    hung = (3.0, 3.0, 3.0, 3.0, 8.0, diagonal, diagonal, 8.0, 2.0, 2.0)
    assert pytest.approx(hung, abs=1e-9) == AS_HUNG_MM


def test_one_pct_damper_moves_the_gaps_as_the_design_says() -> None:
    """Joinery design, section 6, C 0.0020885, C_l 0.00005: head and sill -0.054, latch -0.041 and -0.501."""
    damp = Movement(stile_strain=0.0020885, grain_strain=0.00005)
    change = dict(
        zip(
            EDGE_GAUGES, (a - b for a, b in zip(edge_readings_mm(damp), AS_HUNG_MM, strict=True)), strict=True
        )
    )
    assert change["head-hinge"] == pytest.approx(-0.054, abs=5e-4)
    assert change["sill-latch"] == pytest.approx(-0.054, abs=5e-4)
    assert change["latch-top"] == pytest.approx(-0.041 - 0.501, abs=5e-4)
    assert change["diag-fall"] == pytest.approx(0.105 + 0.108, abs=1e-3)


def test_crossing_diagonals_tell_the_rack() -> None:
    """Sensors design, section 8.3: falling less rising = 2 times 731.109 mm times the rack's angle."""
    readings = dict(zip(EDGE_GAUGES, edge_readings_mm(Movement(gamma_rad=1e-6)), strict=True))
    slope = (readings["diag-fall"] - readings["diag-rise"]) / 1e-6 / 2.0
    assert slope == pytest.approx(731.109, abs=0.01)


@pytest.mark.parametrize(("at_hinge", "sign"), [(True, 1.0), (False, -1.0)])
def test_shoulder_pair_tells_the_turn(at_hinge: bool, sign: float) -> None:
    top, bottom = shoulder_readings_mm(
        opening_mm=0.2, turn_mrad=0.3, spacing_mm=170.0, at_hinge=at_hinge, face_strain=0.0
    )
    assert sign * (top - bottom) / 170.0 * 1000.0 == pytest.approx(0.3, abs=1e-12)
    assert (top + bottom) / 2.0 == pytest.approx(0.5 * (0.2 + math.sqrt(0.04 + 0.015**2)), abs=1e-12)


def test_pressed_shoulder_stays_shut_and_its_feet_ride_on_the_stile() -> None:
    pressed = shoulder_readings_mm(
        opening_mm=-0.3, turn_mrad=0.0, spacing_mm=90.0, at_hinge=True, face_strain=0.004
    )
    touching = 0.015**2 / 4.0 / 0.3
    assert pressed == pytest.approx((touching + 0.012, touching + 0.0108), abs=1e-5)
