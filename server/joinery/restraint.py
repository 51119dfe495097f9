"""What a joint does to wood that swells: how far the rail is held, and how its shoulder opens in the dry."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from server.errors import OutOfRangeError
from server.joinery.joints import GLUE_LAYER_PA_PER_M, Joint, MortiseTenon, StubLoose, Tenon, group


@dataclass(frozen=True, slots=True, kw_only=True)
class Across:
    """A rail's end across its grain: its depth, the leaf's thickness, the stiffness across the grain."""

    rail_depth_m: float
    thickness_m: float
    modulus_across_pa: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Restraint:
    """How far cross-grain swelling is held: the greatest force as a share of full hold, and the edge's slip.

    Not a stress: creep relaxes it. `slip_m_per_strain`: at the tenon's edge, or the rail's for loose tenons.
    """

    held_share: float
    slip_m_per_strain: float


def restraint(joint: Joint, across: Across) -> Restraint:
    """Shear lag over the depth of the rail; a stub beside loose tenons is left out, glued or not.

    Raises OutOfRangeError for a joint without tenons.
    Source: one-dimensional shear lag (Volkersen), worked out anew.
    """
    if isinstance(joint, MortiseTenon):
        return _single(joint.tenon, across)
    if isinstance(joint, StubLoose) and joint.loose:
        return _loose(joint.loose, across)
    raise OutOfRangeError("hold of a joint across the grain", "a tenon or loose tenons", type(joint).__name__)


def seasonal_gap_mm(joint: Joint, strain: float) -> float:
    """Opening of a sound shoulder when the stile's width changes by `strain` (below 0: it shrinks).

    The stile is taken to be anchored at the middle of the glued depth, a convention of this project.
    Raises OutOfRangeError for a joint that is given.
    """
    return -1000 * strain * group(joint).x_m


def _single(tenon: Tenon, across: Across) -> Restraint:
    per_m = _decay_per_m(tenon.thickness_m, across)
    reach = per_m * tenon.width_m / 2
    return Restraint(
        held_share=float(1 - 1 / np.cosh(reach)), slip_m_per_strain=float(np.tanh(reach) / per_m)
    )


def _decay_per_m(thickness_m: float, across: Across) -> float:
    # Glue's shear on both faces over what stretches; the depth in the stile is in both and falls out.
    return float(np.sqrt(2 * GLUE_LAYER_PA_PER_M / (across.modulus_across_pa * thickness_m)))


def _loose(loose: Sequence[Tenon], across: Across) -> Restraint:
    lengths, glued = _lengths(loose, across.rail_depth_m)
    per_m = _decay_per_m(across.thickness_m, across)
    steps = [_transfer(length, per_m if held else 0.0) for length, held in zip(lengths, glued, strict=True)]
    whole = np.linalg.multi_dot(steps[::-1]) if len(steps) > 1 else steps[0]
    # Force is nothing at both edges of the rail: that settles the slip at the lower one.
    state = np.array([-whole[1, 2] / whole[1, 0], 0.0, 1.0])
    greatest = 0.0
    for step, length, held in zip(steps, lengths, glued, strict=True):
        greatest = max(greatest, _greatest(state, length, per_m) if held else abs(state[1]))
        state = step @ state
    return Restraint(held_share=float(greatest), slip_m_per_strain=float(state[0]))


def _lengths(loose: Sequence[Tenon], depth_m: float) -> tuple[list[float], list[bool]]:
    lengths, glued, edge = [], [], -depth_m / 2
    for tenon in sorted(loose, key=lambda tenon: tenon.y_m):
        lengths += [tenon.y_m - tenon.width_m / 2 - edge, tenon.width_m]
        glued += [False, True]
        edge = tenon.y_m + tenon.width_m / 2
    return [*lengths, depth_m / 2 - edge], [*glued, False]


def _transfer(length_m: float, per_m: float) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """From (slip, force over EA, strain) at one end of a length to the other; `per_m` 0 where it is free."""
    if per_m == 0:
        return np.array([[1, length_m, length_m], [0, 1, 0], [0, 0, 1]])
    cosh, sinh = np.cosh(per_m * length_m), np.sinh(per_m * length_m)
    return np.array([[cosh, sinh / per_m, sinh / per_m], [per_m * sinh, cosh, cosh - 1], [0, 0, 1]])


def _greatest(state: np.ndarray[tuple[int], np.dtype[np.float64]], length_m: float, per_m: float) -> float:
    """Greatest force over EA in a glued length: at an end, or where the slip passes through nothing."""
    slip, force, strain = state
    turning = np.arctanh(ratio) / per_m if abs(ratio := -slip * per_m / (force + strain)) < 1 else -1.0
    places = [0.0, length_m, *([turning] if 0 < turning < length_m else [])]
    return max(abs(float((_transfer(place, per_m) @ state)[1])) for place in places)
