"""The load test: how stiff a door's joints are, from its rack under a weight, and what is left of one."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from server.errors import OutOfRangeError
from server.joinery.build import GRAVITY_M_S2, Leaf
from server.joinery.frame import Case, LeafForces, Load, leaf_frame
from server.joinery.joints import STIFFNESS_FACTOR, Given

SOFTEST, STIFFEST = 0.05, 1.0
GREATEST_LOAD_KG = 10.0
LEAST_LEFT = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """The factor that a load test tells, with the range of one standard deviation (of its logarithm).

    `beyond`: "softer" or "stiffer" than the model covers, the bound kept and nothing extrapolated.
    """

    f_k: float
    low: float
    high: float
    sd_ln: float
    slope_mm: float
    beyond: Literal["softer", "stiffer"] | None


def strap_load(leaf: Leaf, *, mass_kg: float = GREATEST_LOAD_KG, y_m: float = 0.0) -> Load:
    """A weight on a strap at the latch edge, at the bottom corner unless said otherwise.

    Raises OutOfRangeError for more than 10 kg, the limit of the procedure, or a height off the leaf.
    """
    if not 0 < mass_kg <= GREATEST_LOAD_KG:
        raise OutOfRangeError("weight of the load test", f"at most {GREATEST_LOAD_KG:g} kg", f"{mass_kg:g}")
    if not 0 <= y_m <= leaf.height_m:
        raise OutOfRangeError("height of the strap", f"0 to {leaf.height_m:g} m", f"{y_m:g}")
    return Load(force_n=mass_kg * GRAVITY_M_S2, x_m=leaf.width_m, y_m=y_m)


def rack_of_diagonals_mm(
    leaf: Leaf, *, x_m: tuple[float, float], y_m: tuple[float, float], fall_mm: float, rise_mm: float
) -> float:
    """Rack from the change of two crossing diagonals, which is free of moisture along and across the grain.

    `x_m`, `y_m`: the corners between which they run; `fall_mm`: of the one from the hinge side's top.
    Raises OutOfRangeError for corners that are not apart, or both over one stile.
    """
    rails = [min(max(x - leaf.stile_m, 0.0), leaf.rail_m) for x in sorted(x_m)]
    across, up = rails[1] - rails[0], abs(y_m[1] - y_m[0])
    if not (across > 0 and up > 0):
        needed = "corners over both stiles, one above the other"
        raise OutOfRangeError("rack from diagonals", needed, f"x {x_m}, y {y_m}")
    length = float(np.hypot(x_m[1] - x_m[0], up))
    return leaf.rail_m * length / (across * up) * (fall_mm - rise_mm) / 2


def rack_of_load_mm(leaf: Leaf, load: Load, f_k: float) -> tuple[float, float]:
    """Rack under the load alone, and its change per unit of ln f_k, both mm."""
    found = leaf_frame(leaf, Case(weight=False, load=load, f_k=f_k))
    return found.rack_mm, found.rack_slope_mm


def fit_f_k(leaf: Leaf, load: Load, *, rack_mm: float, sd_mm: float) -> Fit:
    """The one factor of all the joints with which the frame racks as far as was measured.

    `rack_mm`: mean of loaded less unloaded; `sd_mm`: of that mean.
    Raises OutOfRangeError for a measurement that is not above 0, or where every joint's stiffness is given.
    """
    from scipy.optimize import brentq

    if not (rack_mm > 0 and sd_mm > 0):
        raise OutOfRangeError(
            "rack of the load test", "a rack and its sd above 0 mm", f"{rack_mm:g}, {sd_mm:g}"
        )
    if all(isinstance(joint, Given) for joint in leaf.joints.values()):
        raise OutOfRangeError("stiffness factor", "a joint known by its dimensions", "stiffnesses alone")
    softest, stiffest = (rack_of_load_mm(leaf, load, f)[0] for f in (SOFTEST, STIFFEST))
    if rack_mm > softest:
        return _fit(leaf, load, SOFTEST, sd_mm, beyond="softer")
    if rack_mm < stiffest:
        return _fit(leaf, load, STIFFEST, sd_mm, beyond="stiffer")

    def misfit(ln_f: float) -> float:
        return rack_of_load_mm(leaf, load, float(np.exp(ln_f)))[0] - rack_mm

    found = brentq(misfit, np.log(SOFTEST), np.log(STIFFEST), xtol=1e-12, rtol=1e-14)
    return _fit(leaf, load, float(np.exp(found)), sd_mm, beyond=None)


def turn_rise_mrad(leaf: Leaf, joint: str, *, left: float, f_k: float = STIFFNESS_FACTOR) -> float:
    """How far a joint's turn under the leaf's own weight rises when only a share of its stiffness is left.

    Raises OutOfRangeError for a share that is not above 0 and up to 1, or a joint that is not there.
    """
    return turn_rises_mrad(leaf, [joint], left=left, f_k=f_k)[joint]


def turn_rises_mrad(
    leaf: Leaf, joints: Iterable[str], *, left: float, f_k: float = STIFFNESS_FACTOR
) -> dict[str, float]:
    """The same of several joints, by name, each softened alone; raises alike."""
    if not 0 < left <= 1:
        raise OutOfRangeError("share of stiffness left", "above 0 and up to 1", f"{left:g}")
    case = Case(f_k=f_k)
    whole = leaf_frame(leaf, case)
    sound = {joint: _turn_rad(whole, joint) for joint in joints}
    soft = {joint: _turn_rad(leaf_frame(leaf, replace(case, left={joint: left})), joint) for joint in sound}
    return {joint: 1000 * (soft[joint] - sound[joint]) for joint in sound}


def stiffness_left(leaf: Leaf, joint: str, *, rise_mrad: float, f_k: float = STIFFNESS_FACTOR) -> float:
    """Share of a joint's stiffness that is left when its turn has risen so far, all else sound.

    Raises OutOfRangeError for a rise that is below 0, or more than the joint's loss explains.
    """
    from scipy.optimize import brentq

    most = turn_rise_mrad(leaf, joint, left=LEAST_LEFT, f_k=f_k)
    if not 0 <= rise_mrad <= most:
        raise OutOfRangeError(f"rise of the turn at {joint}", f"0 to {most:.3g} mrad", f"{rise_mrad:g}")

    def misfit(ln_left: float) -> float:
        return turn_rise_mrad(leaf, joint, left=float(np.exp(ln_left)), f_k=f_k) - rise_mrad

    return float(np.exp(brentq(misfit, np.log(LEAST_LEFT), 0.0, xtol=1e-12, rtol=1e-14)))


def _fit(
    leaf: Leaf, load: Load, f_k: float, sd_mm: float, *, beyond: Literal["softer", "stiffer"] | None
) -> Fit:
    slope = rack_of_load_mm(leaf, load, f_k)[1]
    sd_ln = sd_mm / abs(slope)
    low, high = f_k * np.exp([-sd_ln, sd_ln])
    return Fit(f_k=f_k, low=float(low), high=float(high), sd_ln=sd_ln, slope_mm=slope, beyond=beyond)


def _turn_rad(forces: LeafForces, joint: str) -> float:
    found = forces.joints
    if joint not in found:
        raise OutOfRangeError("turn of a joint", ", ".join(found), repr(joint[:40]))
    turn = found[joint].turn_rad
    if turn is None:
        raise OutOfRangeError("turn of a joint", "some stiffness", "a pin")
    return turn
