"""The exact daily recursion of a finished leaf: its mean moisture behind the air, one mode at a time."""

import hashlib
from dataclasses import astuple, dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.errors import OutOfRangeError
from server.timber.refusals import StateMismatchError
from server.timber.slab import KELVIN_AT_0_C, KELVIN_AT_20_C, relaxed, roots, weights

FloatArray = NDArray[np.float64]

SHORT_THETA = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Slab:
    """A leaf with both faces alike. `biot` None is bare wood; `q_over_r_k` how warmth speeds it, in kelvin.

    `d20_mm2_per_day` and `biot` are priors, to be fitted. The film is taken to share the wood's temperature
    factor, so that the modes stay the same. In unlike airs the mean follows the mean of the two, as long as
    both finishes are alike. Raises OutOfRangeError for a figure that is not above 0.
    """

    half_thickness_mm: float
    d20_mm2_per_day: float = 6.5
    biot: float | None = None
    q_over_r_k: float = 4300.0
    modes: int = 40

    def __post_init__(self) -> None:
        figures = (
            self.half_thickness_mm,
            self.d20_mm2_per_day,
            self.q_over_r_k,
            self.modes,
            self.biot or 1.0,
        )
        if self.biot == 0 or not all(np.isfinite(figure) and figure > 0 for figure in figures):
            raise OutOfRangeError("leaf behind its finish", "figures above 0", f"{astuple(self)}")

    @property
    def fingerprint(self) -> str:
        """Changes with any figure of the slab."""
        return hashlib.sha256(repr(astuple(self)).encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True, kw_only=True)
class SlabState:
    """Where a leaf stands after its last step: each mode's share of the mean, and the air it stood in."""

    modes_pct: tuple[float, ...]
    air_pct: float
    fingerprint: str


def start(slab: Slab, start_pct: float) -> SlabState:
    """A leaf of one moisture throughout."""
    share = mode_weights(slab.biot, slab.modes) * start_pct
    return SlabState(modes_pct=tuple(share.tolist()), air_pct=start_pct, fingerprint=slab.fingerprint)


def step(slab: Slab, state: SlabState, *, air_pct: float, temp_c: float, days: float = 1.0) -> SlabState:
    """The leaf after so many days in one air (its equilibrium moisture content) at one temperature.

    Raises StateMismatchError for a state of another slab, OutOfRangeError for a step that is not a number.
    """
    _same(slab, state)
    if not (np.isfinite(air_pct) and np.isfinite(temp_c) and days > 0):
        came = f"{air_pct:g} %, {temp_c:g} C, {days:g} days"
        raise OutOfRangeError("step of a leaf", "air, temperature and a time above 0", came)
    decay = np.exp(-_rates(slab) * dtheta(slab, temp_c, days))
    arriving = mode_weights(slab.biot, slab.modes) * (1 - decay) * air_pct
    modes = np.array(state.modes_pct) * decay + arriving
    return SlabState(modes_pct=tuple(modes.tolist()), air_pct=air_pct, fingerprint=state.fingerprint)


def mean_pct(slab: Slab, state: SlabState) -> float:
    """Mean moisture of the leaf; the modes that were not kept follow the air at once.

    Raises StateMismatchError for a state of another slab.
    """
    _same(slab, state)
    rest = 1.0 - mode_weights(slab.biot, slab.modes).sum()
    return float(np.sum(state.modes_pct) + rest * state.air_pct)


def run(
    slab: Slab, start_pct: float, air_pct: ArrayLike, temp_c: ArrayLike, days: ArrayLike = 1.0
) -> FloatArray:
    """Mean moisture at the end of each step, shape (steps,): the same as `step` again and again.

    Raises OutOfRangeError where air, temperature or time is not a number; `follow` bridges such days.
    """
    given = (np.asarray(value, dtype=float) for value in (air_pct, temp_c, days))
    air, temp, length = np.broadcast_arrays(*given)
    if not (np.isfinite(air + temp + length).all() and (length > 0).all()):
        raise OutOfRangeError("series of a leaf", "air, temperature and times above 0", "a step without")
    share = mode_weights(slab.biot, slab.modes)
    decay = np.exp(-np.multiply.outer(dtheta(slab, temp, length), _rates(slab)))
    return np.asarray(relaxed(air, decay, start_pct) @ share + (1.0 - share.sum()) * air)


def uptake(theta: ArrayLike, biot: float | None = None, *, modes: int = 400) -> FloatArray:
    """Share of a sudden change of air that the mean has taken up after theta = D t / l^2, any shape.

    Source: Crank (1975), 4.3; bare and under 0.05 his form for short times, in which the modes would be many.
    """
    time = np.asarray(theta, dtype=float)
    gone = np.exp(-np.multiply.outer(time, mode_roots(biot, modes) ** 2))
    taken = np.asarray(1 - gone @ mode_weights(biot, modes))
    if biot is not None:
        return taken
    return np.where(time < SHORT_THETA, 2 * np.sqrt(np.maximum(time, 0.0) / np.pi), taken)


def dtheta(slab: Slab, temp_c: ArrayLike, days: ArrayLike = 1.0) -> FloatArray:
    """Time without a unit, D(T) t / l^2, that a step adds."""
    kelvin = KELVIN_AT_0_C + np.asarray(temp_c, dtype=float)
    faster = np.exp(-slab.q_over_r_k * (1 / kelvin - 1 / KELVIN_AT_20_C))
    return np.asarray(slab.d20_mm2_per_day * faster * np.asarray(days, float) / slab.half_thickness_mm**2)


@cache
def mode_roots(biot: float | None, count: int) -> FloatArray:
    """Roots b of b tan b = Bi, the bare sheet's being (n - 1/2) pi. Source: Crank (1975), 4.3.6."""
    bare = np.asarray((np.arange(count) + 0.5) * np.pi, dtype=np.float64)
    return _frozen(bare if biot is None else roots(biot, count))


@cache
def mode_weights(biot: float | None, count: int) -> FloatArray:
    """Share of each mode in the mean; over all modes they add up to 1."""
    mu = mode_roots(biot, count)
    return _frozen(np.multiply(2.0, mu**-2) if biot is None else weights(biot, mu))


def _rates(slab: Slab) -> FloatArray:
    return np.asarray(mode_roots(slab.biot, slab.modes) ** 2)


def _frozen(array: FloatArray) -> FloatArray:
    array.flags.writeable = False
    return array


def _same(slab: Slab, state: SlabState) -> None:
    if state.fingerprint != slab.fingerprint or len(state.modes_pct) != slab.modes:
        needed = f"a state of the same leaf and finish ({slab.fingerprint})"
        raise StateMismatchError("state of a leaf", needed, state.fingerprint[:40])
