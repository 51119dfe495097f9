"""Stiffness of test pieces, and what it says of a door's stiffness factor before and after its load test."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.joinery.joints import (
    GLUE_LAYER_PA_PER_M,
    Dowels,
    Given,
    Joint,
    MortiseTenon,
    StubLoose,
    Tenon,
    group,
)
from server.joinery.refusals import TooFewPiecesError, TooFewPointsError

FloatArray = NDArray[np.float64]

ENOUGH_FOR_PRIOR, ENOUGH_POINTS = 3, 5
# Conventions of this project: how near sizes must be, and how far a piece is from a door's joint.
SIZES_APART = 0.05
PIECE_TO_DOOR_SD_LN = 0.3
# The span in which ISO 6891 reads a slip modulus, of the load at failure; from memory.
SPAN = (0.10, 0.40)
MOST_TAKEN_OFF = 0.5
SHEAR_FACTOR = 5 / 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """The piece's own rail, which bends beside its joint."""

    modulus_pa: float
    depth_m: float
    thickness_m: float
    g_over_e: float = 1 / 16


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceStiffness:
    """Stiffness of one piece's joint, with what of the measured turn was the rail's and the clamps'."""

    stiffness_n_m_per_rad: float
    sd_ln: float
    points: int
    gross_n_m_per_rad: float
    taken_off_rad_per_n_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Factor:
    """A stiffness factor f_k: its middle, and the standard deviation of its logarithm."""

    f_k: float
    sd_ln: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Both:
    """Pieces and load test together. `differ`: by more than 2 standard deviations, which is to be shown."""

    together: Factor
    differ: bool


def stiffness(
    load_n: Sequence[float],
    deflection_m: Sequence[float],
    *,
    arm_m: float,
    load_at_failure_n: float,
    rail: Section,
    rig_rad_per_n_m: float = 0.0,
) -> PieceStiffness:
    """Stiffness of a piece's joint from its load and deflection between 10 and 40 % of its load at failure.

    `rig_rad_per_n_m`: turn of the clamps, from a solid block in their place.
    Raises TooFewPointsError for under 5 points, or where more than half of the turn is not the joint's.
    """
    loads, turns = np.asarray(load_n, float), np.asarray(deflection_m, float) / arm_m
    inside = (loads >= SPAN[0] * load_at_failure_n) & (loads <= SPAN[1] * load_at_failure_n)
    count = int(inside.sum())
    if count < ENOUGH_POINTS:
        needed = f"{ENOUGH_POINTS} points between 10 and 40 % of the load at failure"
        raise TooFewPointsError("stiffness", needed, f"{count}")
    moments = loads[inside] * arm_m
    slope, error = _line(moments, turns[inside])
    bending = rail.modulus_pa * rail.thickness_m * rail.depth_m**3 / 12
    shear = SHEAR_FACTOR * rail.g_over_e * rail.modulus_pa * rail.thickness_m * rail.depth_m
    taken = arm_m / (3 * bending) + 1 / (shear * arm_m) + rig_rad_per_n_m
    if not taken <= MOST_TAKEN_OFF * slope:
        needed = "a joint that turns more than its own rail and the clamps"
        raise TooFewPointsError("stiffness", needed, f"{taken:.3g} of {slope:.3g} rad/(N m) taken off")
    return PieceStiffness(
        stiffness_n_m_per_rad=1 / (slope - taken),
        sd_ln=error / (slope - taken),
        points=count,
        gross_n_m_per_rad=1 / slope,
        taken_off_rad_per_n_m=taken,
    )


def prior_f_k(stiffness_n_m_per_rad: Sequence[float], joint: Joint) -> Factor:
    """What pieces of a joint's kind say of a door's stiffness factor before its load test.

    Raises TooFewPiecesError for under 3, OutOfRangeError for a joint without dimensions.
    """
    if len(stiffness_n_m_per_rad) < ENOUGH_FOR_PRIOR:
        needed = f"the stiffness of {ENOUGH_FOR_PRIOR} pieces"
        raise TooFewPiecesError("stiffness factor from pieces", needed, f"{len(stiffness_n_m_per_rad)}")
    logs = np.log(np.asarray(stiffness_n_m_per_rad) / (GLUE_LAYER_PA_PER_M * group(joint).polar_m4))
    scatter = float(logs.var(ddof=1)) * (1 + 1 / logs.size)
    return Factor(f_k=float(np.exp(logs.mean())), sd_ln=float(np.sqrt(scatter + PIECE_TO_DOOR_SD_LN**2)))


def with_load_test(prior: Factor, tested: Factor) -> Both:
    """Pieces and the hung door's load test, each by its own certainty; the load test usually rules."""
    weight = np.array([prior.sd_ln, tested.sd_ln]) ** -2
    logs = np.log([prior.f_k, tested.f_k])
    apart = abs(logs[0] - logs[1]) > 2 * np.hypot(prior.sd_ln, tested.sd_ln)
    middle = float(np.exp(weight @ logs / weight.sum()))
    return Both(together=Factor(f_k=middle, sd_ln=float(weight.sum() ** -0.5)), differ=bool(apart))


def same_sizes(piece: Joint, door: Joint) -> bool:
    """Whether a piece's joint has the door's sizes within 5 %, so that its stiffness may be `Given` there."""
    ours, theirs = _sizes(piece), _sizes(door)
    if type(piece) is not type(door) or isinstance(door, Given) or ours.shape != theirs.shape:
        return False
    return bool((np.abs(ours - theirs) <= SIZES_APART * np.abs(theirs)).all())


def _line(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Slope of a straight line, and its standard error."""
    away = x - x.mean()
    slope = float(away @ y / (away @ away))
    rest = y - y.mean() - slope * away
    return slope, float(np.sqrt(rest @ rest / (x.size - 2) / (away @ away)))


def _sizes(joint: Joint) -> FloatArray:
    if isinstance(joint, Given):
        return np.array([joint.stiffness_n_m_per_rad])
    if isinstance(joint, Dowels):
        return np.array([*joint.y_m, joint.diameter_m, joint.depth_m])
    tenons: tuple[Tenon, ...] = (
        (joint.tenon,) if isinstance(joint, MortiseTenon) else (joint.stub, *joint.loose)
    )
    glued = [float(joint.stub_glued)] if isinstance(joint, StubLoose) else []
    each = [size for t in tenons for size in (t.width_m, t.depth_m, t.thickness_m, t.y_m)]
    return np.array([*each, *glued])
