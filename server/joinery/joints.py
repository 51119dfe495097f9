"""A joint as an elastic group of glue faces: its stiffness, and a relative stress of its glue line."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from server.errors import OutOfRangeError

FloatArray = NDArray[np.float64]

# Conventions of this project: a 0.4 GPa shear layer 10 mm thick; its factor is to be fitted by a load test.
GLUE_LAYER_PA_PER_M = 4.0e10
STIFFNESS_FACTOR = 0.2
FACES = 2
WIDEST_TENON_M = 0.100
THICKEST_SHARE = 0.6
SMALLEST_GAP_MM = 2.0
# Room for the last bit of a length worked out from millimetres.
ROUNDING_M = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Tenon:
    """A tenon or stub: width across the rail, depth in the stile. `y_m` counts from the rail's axis."""

    width_m: float
    depth_m: float
    thickness_m: float
    y_m: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MortiseTenon:
    """One tenon, glued on both faces."""

    tenon: Tenon


@dataclass(frozen=True, slots=True, kw_only=True)
class StubLoose:
    """A stub tenon, glued or not, and loose tenons of which `depth_m` is what stands in the stile."""

    stub: Tenon
    loose: tuple[Tenon, ...]
    stub_glued: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Dowels:
    """Glued dowels of one diameter, at heights from the rail's axis."""

    y_m: tuple[float, ...]
    diameter_m: float
    depth_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """A joint of which only the stiffness is known, from the user's own test: it has no index."""

    stiffness_n_m_per_rad: float


Joint = MortiseTenon | StubLoose | Dowels | Given


@dataclass(frozen=True, slots=True, kw_only=True)
class Face:
    """Glue faces alike, one behind the other: centre from shoulder and axis, depth by width, how many."""

    x_m: float
    y_m: float
    depth_m: float
    width_m: float
    count: int = FACES

    @property
    def area_m2(self) -> float:
        """Of all of them together."""
        return self.count * self.depth_m * self.width_m


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """The faces together: area, centre, polar second moment of area, and corners of shape (n, 2)."""

    area_m2: float
    x_m: float
    y_m: float
    polar_m4: float
    corners_m: FloatArray


def faces(joint: Joint) -> tuple[Face, ...]:
    """Glue faces on the stile's side. Edges and ends of tenons are left out, a convention of this project.

    A dowel counts as two faces of half its girth. Raises OutOfRangeError for a joint that is given.
    """
    if isinstance(joint, Given):
        raise OutOfRangeError("glue faces of a joint", "its dimensions", "a stiffness alone")
    if isinstance(joint, MortiseTenon):
        return (_face(joint.tenon),)
    if isinstance(joint, StubLoose):
        stub = (_face(joint.stub),) if joint.stub_glued else ()
        return (*(_face(tenon) for tenon in joint.loose), *stub)
    half_girth, middle = np.pi * joint.diameter_m / 2, joint.depth_m / 2
    return tuple(Face(x_m=middle, y_m=y, depth_m=joint.depth_m, width_m=half_girth) for y in joint.y_m)


def group(joint: Joint) -> Group:
    """The joint's faces as one group. Raises OutOfRangeError for a joint that is given, or has no glue.

    Source: elastic group method, structural mechanics textbooks.
    """
    every = faces(joint)
    if not every:
        raise OutOfRangeError("glue faces of a joint", "one glued tenon, stub or dowel", "none")
    area, x, y, depth, width = np.array([(f.area_m2, f.x_m, f.y_m, f.depth_m, f.width_m) for f in every]).T
    whole = float(area.sum())
    x_c, y_c = float(area @ x) / whole, float(area @ y) / whole
    polar = float(area @ ((depth**2 + width**2) / 12 + (x - x_c) ** 2 + (y - y_c) ** 2))
    corners = [(x + a * depth / 2, y + b * width / 2) for a in (-1, 1) for b in (-1, 1)]
    return Group(
        area_m2=whole,
        x_m=x_c,
        y_m=y_c,
        polar_m4=polar,
        corners_m=np.stack(corners).swapaxes(1, 2).reshape(-1, 2),
    )


def stiffness_n_m_per_rad(joint: Joint, f_k: float = STIFFNESS_FACTOR) -> float:
    """Moment for one radian of turn. `f_k`, to be fitted, takes all that the glue layer does not.

    Raises OutOfRangeError for a factor or a stiffness that is not above 0.
    """
    if isinstance(joint, Given):
        if not joint.stiffness_n_m_per_rad > 0:
            raise OutOfRangeError(
                "stiffness of a joint", "above 0 N m/rad", f"{joint.stiffness_n_m_per_rad:g}"
            )
        return joint.stiffness_n_m_per_rad
    if not f_k > 0:
        raise OutOfRangeError("stiffness factor of a joint", "above 0", f"{f_k:g}")
    return f_k * GLUE_LAYER_PA_PER_M * group(joint).polar_m4


def index_pa(joint: Joint, moment_n_m: float, shear_n: float = 0.0) -> float:
    """Relative stress of the glue line under a moment and shear at the shoulder; never a strength.

    Tested joints held 2.6 times what such a sum gives; it compares joints and doors, nothing else.
    Raises OutOfRangeError for a joint that is given, or has no glue.
    """
    whole = group(joint)
    moment = abs(moment_n_m) + abs(shear_n) * whole.x_m
    x, y = (whole.corners_m - [whole.x_m, whole.y_m]).T
    along, across = -moment * y / whole.polar_m4, moment * x / whole.polar_m4 + abs(shear_n) / whole.area_m2
    return float(np.hypot(along, across).max())


def pegged_n_m_per_rad(density_kg_m3: float, diameter_m: float, y_m: Sequence[float]) -> float:
    """Stiffness of unglued dowels or pegs, one shear plane each, to be entered as `Given`.

    Source: EN 1995-1-1, table 7.1: rho^1.5 d / 23, N/mm; the formula from memory.
    """
    each_n_per_m = density_kg_m3**1.5 * (diameter_m * 1000) / 23 * 1000
    heights = np.asarray(y_m, dtype=float)
    return float(each_n_per_m * ((heights - heights.mean()) ** 2).sum())


def check_joint(joint: Joint, *, rail_depth_m: float, stile_m: float, thickness_m: float) -> tuple[str, ...]:
    """What is to be warned of in a joint that can be made.

    Raises OutOfRangeError for one that cannot: it overlaps, leaves its rail or stile, or eats up the leaf.
    """
    if isinstance(joint, Given):
        stiffness_n_m_per_rad(joint)
        return ()
    tenons = _tenons(joint)
    for tenon in tenons:
        _check_tenon(tenon, rail_depth_m, stile_m, thickness_m)
    group(joint)
    loose = sorted(tenons[1:] if isinstance(joint, StubLoose) else tenons, key=lambda tenon: tenon.y_m)
    for below, above in pairwise(loose):
        room = above.y_m - below.y_m
        if room < (above.width_m + below.width_m) / 2 - ROUNDING_M:
            raise OutOfRangeError("tenons in a row", "no overlap", f"{1000 * room:g} mm from one to the next")
    if isinstance(joint, MortiseTenon) and joint.tenon.width_m > WIDEST_TENON_M + ROUNDING_M:
        wide = f"{1000 * joint.tenon.width_m:g} mm wide"
        return (f"a single tenon {wide}: over 100 mm it is usually split (common practice, no source)",)
    return ()


def _face(tenon: Tenon) -> Face:
    return Face(x_m=tenon.depth_m / 2, y_m=tenon.y_m, depth_m=tenon.depth_m, width_m=tenon.width_m)


def _tenons(joint: MortiseTenon | StubLoose | Dowels) -> tuple[Tenon, ...]:
    if isinstance(joint, MortiseTenon):
        return (joint.tenon,)
    if isinstance(joint, StubLoose):
        return (joint.stub, *joint.loose)
    girth = joint.diameter_m
    return tuple(Tenon(width_m=girth, depth_m=joint.depth_m, thickness_m=girth, y_m=y) for y in joint.y_m)


def _check_tenon(tenon: Tenon, rail_depth_m: float, stile_m: float, thickness_m: float) -> None:
    sizes = (tenon.width_m, tenon.depth_m, tenon.thickness_m)
    if not all(size > 0 for size in sizes):
        came = " x ".join(f"{1000 * size:g}" for size in sizes)
        raise OutOfRangeError("size of a tenon", "above 0 mm each way", f"{came} mm")
    if abs(tenon.y_m) + tenon.width_m / 2 > rail_depth_m / 2 + ROUNDING_M:
        came = f"{1000 * tenon.width_m:g} mm wide at {1000 * tenon.y_m:g} mm from its axis"
        raise OutOfRangeError("tenon in its rail", f"within {1000 * rail_depth_m:g} mm", came)
    if tenon.depth_m > stile_m + ROUNDING_M:
        raise OutOfRangeError(
            "tenon in its stile", f"at most {1000 * stile_m:g} mm deep", f"{1000 * tenon.depth_m:g}"
        )
    if tenon.thickness_m > THICKEST_SHARE * thickness_m + ROUNDING_M:
        needed = f"at most {THICKEST_SHARE:g} of the leaf's {1000 * thickness_m:g} mm"
        raise OutOfRangeError("thickness of a tenon", needed, f"{1000 * tenon.thickness_m:g} mm")
