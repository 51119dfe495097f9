"""The leaf in its opening: what each gauge reads for a movement, and which movement the readings tell."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.errors import OutOfRangeError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Told = Literal["usable", "trend_only", "not_told"]

STATES = ("u", "v", "phi", "gam", "eps", "phif", "gamf", "lam")
DERIVED = ("sag", "rack", "droop")
POSITION_KINDS = ("head", "sill", "latch", "hinge", "diag", "tilt")
# What turns with each place of a tilt gauge.
TILTS = {
    "stile": ("phi", "phif"),
    "rail": ("phi", "gam", "phif"),
    "jamb": ("phif",),
    "head": ("phif", "gamf"),
}
# Conventions of this project: how far each state may be expected to go, by what the opening is like.
BASE_PRIOR = (0.3, 1.0, 1e-3, 1e-3, 1.5e-3)
FRAME_PRIOR = {"rigid": (5e-5, 5e-5), "head_drops": (5e-5, 1e-3), "leans": (1e-3, 1e-3)}
GROWTH_ALONG_PER_PCT = 5e-5
LEAST_GROWTH_SD = 1e-5
UNKNOWN_GROWTH_SD = 1.2e-4
GROWTH_DOUBT = 0.4
NOT_OBSERVED = 0.7
USABLE_SD_MM = 0.075
TREND_ONLY_SD_MM = 0.12
PASSES = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """A leaf and its opening as hung, in mm. `reference_mm`: height midway between the outer hinges."""

    width_mm: float
    height_mm: float
    stile_mm: float
    gap_hinge_mm: float
    gap_head_mm: float
    gap_latch_mm: float
    gap_sill_mm: float
    reference_mm: float

    @property
    def rail_mm(self) -> float:
        """Length of a rail between its shoulders."""
        return self.width_mm - 2 * self.stile_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """One gauge: `at_mm` is (X,) at head or sill, (Y,) at latch or hinge, (X1, Y1, X2, Y2) of a diagonal.

    A tilt stands `on` stile, rail, jamb or head; its readings, sd and drift are in rad, for mm.
    """

    kind: str
    at_mm: tuple[float, ...] = ()
    sd_mm: float = 0.03
    drift_mm_per_year: float = 0.003
    on: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """Growth along the grain expected of each day, and its standard deviation; arrays of shape (days,)."""

    mean: FloatArray
    sd: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Movement:
    """What days of readings tell. `states` and `state_sd`: (days, 8); the derived ones: (days, 3), mm.

    Columns are STATES and DERIVED. `observed` says of each derived value whether its states are told apart
    from their priors at all: never by tilt alone, which reads a leaning frame as sag. A day without any
    reading is NaN.
    """

    states: FloatArray
    state_sd: FloatArray
    derived_mm: FloatArray
    derived_sd_mm: FloatArray
    observed: BoolArray
    drift_mm_per_year: FloatArray

    def told(self, name: str) -> list[Told]:
        """How far each day's sag, rack or droop may be used."""
        place = DERIVED.index(name)
        sd_mm, seen = self.derived_sd_mm[:, place], self.observed[:, place]
        cases = [~seen | ~(sd_mm <= TREND_ONLY_SD_MM), sd_mm <= USABLE_SD_MM]
        found: list[Told] = np.select(cases, ["not_told", "usable"], "trend_only").tolist()
        return found

    def value_mm(self, name: str) -> FloatArray:
        """Each day's value, NaN where it is not told."""
        place = DERIVED.index(name)
        kept = self.observed[:, place] & (self.derived_sd_mm[:, place] <= TREND_ONLY_SD_MM)
        return np.where(kept, self.derived_mm[:, place], np.nan)


def told(sd_mm: float, *, observed: bool = True) -> Told:
    """Whether a day's value may be judged, only followed over the seasons, or not given at all."""
    if not observed or not sd_mm <= TREND_ONLY_SD_MM:
        return "not_told"
    return "usable" if sd_mm <= USABLE_SD_MM else "trend_only"


def prior_sd(opening: str) -> FloatArray:
    """Standard deviations of the first seven states' priors.

    Raises OutOfRangeError for an opening that is not `rigid`, `head_drops` or `leans`.
    """
    if opening not in FRAME_PRIOR:
        raise OutOfRangeError("kind of opening", ", ".join(FRAME_PRIOR), repr(opening[:40]))
    return np.array(BASE_PRIOR + FRAME_PRIOR[opening])


def growth_prior(
    moisture_change_pct: ArrayLike | None,
    *,
    days: int = 1,
    per_pct: float = GROWTH_ALONG_PER_PCT,
    start_doubt_pct: ArrayLike = 0.0,
) -> Growth:
    """Growth along the grain for a change of moisture since the hung line, shape (days,).

    `start_doubt_pct`: what is still not known of the moisture because the start was not. None or NaN for a
    change that is not known: mean 0, and the doubt of a whole season.
    """
    change = (
        np.full(days, np.nan)
        if moisture_change_pct is None
        else np.atleast_1d(np.asarray(moisture_change_pct, float))
    )
    mean = np.where(np.isfinite(change), per_pct * change, 0.0)
    doubt = np.hypot(GROWTH_DOUBT * mean, per_pct * np.asarray(start_doubt_pct, float))
    return Growth(
        mean=mean, sd=np.where(np.isfinite(change), np.maximum(LEAST_GROWTH_SD, doubt), UNKNOWN_GROWTH_SD)
    )


def row(shape: Shape, station: Station) -> FloatArray:
    """One line of the observation matrix: mm of reading for one unit of each of STATES, at zero."""
    y_h, b = shape.reference_mm, shape.width_mm
    if station.kind == "diag":
        return _diagonal_row(shape, station)
    if station.kind == "tilt":
        return _tilt_row(station)
    at = station.at_mm[0]
    rail = _along_rail_mm(shape, at)
    out = shape.gap_hinge_mm + at
    rows = {
        "head": (0, -1, at, rail, 0, 0, -out, -(shape.height_mm - y_h)),
        "sill": (0, 1, -at, -rail, 0, -out, 0, -y_h),
        "latch": (-1, 0, -(at - y_h), 0, -b, 0, 0, -shape.rail_mm),
        "hinge": (1, 0, at - y_h, 0, 0, 0, 0, 0),
    }
    if station.kind not in rows:
        raise OutOfRangeError("gauge of the leaf", ", ".join(POSITION_KINDS), repr(station.kind[:40]))
    return np.array(rows[station.kind], dtype=float)


def read(shape: Shape, station: Station, states: FloatArray) -> FloatArray:
    """What the gauge reads, mm, for movements of shape (days, 8): the exact map."""
    return _read(shape, station, _Turned(states))


def moved(
    shape: Shape, stations: Sequence[Station], change_mm: FloatArray, *, opening: str, growth: Growth
) -> Movement:
    """The movement that readings tell. `change_mm`: (days, gauges) since the hung line, NaN where missing.

    Raises OutOfRangeError for arrays that do not fit the gauges.
    """
    if change_mm.ndim != 2 or change_mm.shape[1] != len(stations):
        raise OutOfRangeError(
            "readings of the leaf", f"{len(stations)} columns, one a gauge", f"shape {change_mm.shape}"
        )
    seen = np.isfinite(change_mm)
    observation = np.array([row(shape, station) for station in stations])
    sd = np.concatenate([np.broadcast_to(prior_sd(opening), (len(seen), 7)), growth.sd[:, None]], axis=1)
    expected = np.zeros((len(seen), 8))
    expected[:, 7] = growth.mean
    weight = np.asarray(seen / np.array([station.sd_mm for station in stations]) ** 2)
    covariance = _posterior(observation, weight, sd)
    prior = _Prior(
        mean=expected,
        sd=sd,
        gain=np.asarray((covariance @ observation.T) * weight[:, None, :]),
        covariance=covariance,
    )
    states = _fitted(shape, stations, np.where(seen, change_mm, 0.0), prior)
    states[~seen.any(axis=1)] = np.nan
    found = _movement(shape, stations, states, prior)
    distances = np.array([station.kind != "tilt" for station in stations])
    by_distance = np.asarray(seen[:, distances].any(axis=1))
    return replace(found, observed=found.observed & by_distance[:, None])


def derived_rows(shape: Shape) -> FloatArray:
    """Sag, rack and droop of the corner as sums of STATES; shape (3, 8)."""
    sag = [0, 0, shape.width_mm, 0, 0, 0, 0, 0]
    rack = [0, 0, 0, shape.rail_mm, 0, 0, 0, 0]
    return np.array([sag, rack, [0, -1, shape.width_mm, shape.rail_mm, 0, 0, 0, 0]], dtype=float)


def turn_mrad(top_mm: ArrayLike, bottom_mm: ArrayLike, *, spacing_mm: float, end: str) -> FloatArray:
    """Turn of a rail's end against its stile from a pair of gauges; + is the rail end dropping out.

    Raises OutOfRangeError for an end that is not `hinge` or `latch`, or a spacing that is not positive.
    """
    if end not in ("hinge", "latch") or not spacing_mm > 0:
        raise OutOfRangeError(
            "turn of a joint", "hinge or latch, and a spacing above 0 mm", f"{end[:40]!r}, {spacing_mm:g}"
        )
    top, bottom = np.asarray(top_mm, float), np.asarray(bottom_mm, float)
    lever = 1000.0 / spacing_mm * (1.0 if end == "hinge" else -1.0)
    return np.asarray((top - bottom) * lever)


def mean_opening_mm(top_mm: ArrayLike, bottom_mm: ArrayLike) -> FloatArray:
    """Mean gap of a shoulder from its pair."""
    return np.asarray((np.asarray(top_mm, float) + np.asarray(bottom_mm, float)) / 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Prior:
    """What was believed of each day before its readings, and what its readings may change of that."""

    mean: FloatArray
    sd: FloatArray
    gain: FloatArray
    covariance: FloatArray


def _spread(shape: Shape, x_mm: float) -> float:
    stiles = min(x_mm, shape.stile_mm) + max(x_mm - shape.width_mm + shape.stile_mm, 0.0)
    return shape.width_mm / (2 * shape.stile_mm) * stiles


def _along_rail_mm(shape: Shape, x_mm: float) -> float:
    """How far along the rail a point of the leaf is; numpy's clip of one number takes ten times as long."""
    return min(max(x_mm - shape.stile_mm, 0.0), shape.rail_mm)


def _tilt_row(station: Station) -> FloatArray:
    if station.on not in TILTS:
        raise OutOfRangeError("gauge of the leaf, a tilt on", ", ".join(TILTS), repr(station.on[:40]))
    return np.array([float(state in TILTS[station.on]) for state in STATES])


def _diagonal_row(shape: Shape, station: Station) -> FloatArray:
    x1, y1, x2, y2 = station.at_mm
    rail = [_along_rail_mm(shape, x) for x in (x1, x2)]
    across, up, along = x2 - x1, y2 - y1, rail[1] - rail[0]
    length = float(np.hypot(across, up))
    swelling = across * (_spread(shape, x2) - _spread(shape, x1)) / length
    return np.array([0, 0, 0, -along * up / length, swelling, 0, 0, (across * along + up**2) / length])


class _Turned:
    """Days' states, and the sines and cosines that all gauges share."""

    def __init__(self, states: FloatArray) -> None:
        self.states = states
        self.u, self.v, phi, gam, self.eps, self.phif, self.gamf, lam = states.T.copy()
        self.longer = 1 + lam
        self.cos_phi, self.sin_phi = np.cos(phi), np.sin(phi)
        self.along, self.down = self.longer * np.cos(gam) - 1, self.longer * np.sin(gam)


def _read(shape: Shape, station: Station, turned: _Turned) -> FloatArray:
    kind, at, b, h = station.kind, station.at_mm, shape.width_mm, shape.height_mm
    if kind == "diag":
        first, second = _to_jamb(shape, (at[0], at[1]), turned), _to_jamb(shape, (at[2], at[3]), turned)
        return np.asarray(np.hypot(second[0] - first[0], second[1] - first[1]))
    if kind == "tilt":
        return np.asarray(turned.states @ _tilt_row(station))
    phif, gamf = turned.phif, turned.gamf
    points = {"head": (at[0], h), "sill": (at[0], 0.0), "latch": (b, at[0]), "hinge": (0.0, at[0])}
    xi, eta = _to_jamb(shape, points[kind], turned)
    if kind == "head":
        height = shape.gap_sill_mm + h + shape.gap_head_mm
        return np.asarray((height - eta) * np.cos(gamf) - xi * np.sin(gamf))
    if kind == "sill":
        return np.asarray(-xi * np.sin(phif) + eta * np.cos(phif))
    return xi if kind == "hinge" else np.asarray(shape.gap_hinge_mm + b + shape.gap_latch_mm - xi)


def _to_jamb(shape: Shape, point: tuple[float, float], turned: _Turned) -> tuple[FloatArray, FloatArray]:
    x, y = point
    rail = _along_rail_mm(shape, x)
    dx = x + turned.eps * _spread(shape, x) + rail * turned.along
    dy = turned.longer * (y - shape.reference_mm) - rail * turned.down
    across = shape.gap_hinge_mm + turned.u + dx * turned.cos_phi + dy * turned.sin_phi
    up = shape.gap_sill_mm + shape.reference_mm + turned.v - dx * turned.sin_phi + dy * turned.cos_phi
    return across, up


def _posterior(observation: FloatArray, weight: FloatArray, sd: FloatArray) -> FloatArray:
    """Of each day's states, shape (days, 8, 8).

    Of the priors' sd the growth's alone differs from day to day: the other seven states, that known, are
    inverted once for each set of gauges that was seen, and what its doubt adds is of rank one.
    """
    seen_as = (weight > 0) @ (1 << np.arange(weight.shape[1]))
    _, first, of_day = np.unique(seen_as, return_index=True, return_inverse=True)
    known, added, told = np.zeros((first.size, 8, 8)), np.zeros((first.size, 8, 8)), np.zeros(first.size)
    for place, day in enumerate(first):
        precision, own = (observation.T * weight[day]) @ observation, sd[day, :7]
        # in states divided by their priors' sd: else seven units side by side spoil the conditioning
        inverse = np.linalg.inv(own[:, None] * precision[:7, :7] * own + np.eye(7))
        known[place, :7, :7] = own[:, None] * inverse * own
        gain = known[place, :7, :7] @ precision[:7, 7]
        along = np.append(-gain, 1.0)
        added[place] = np.multiply.outer(along, along)
        told[place] = precision[7, 7] - precision[7, :7] @ gain
    variance = 1.0 / (sd[:, 7] ** -2.0 + told[of_day])
    return np.asarray(known[of_day] + variance[:, None, None] * added[of_day])


def _fitted(shape: Shape, stations: Sequence[Station], change_mm: FloatArray, prior: "_Prior") -> FloatArray:
    hung = _readings(shape, stations, np.zeros((1, 8)))

    def misfit(states: FloatArray) -> FloatArray:
        return np.asarray(change_mm - (_readings(shape, stations, states) - hung))

    states = prior.mean + _by_day(prior.gain, misfit(prior.mean))
    for _ in range(PASSES):
        pull = _by_day(prior.covariance, (states - prior.mean) / prior.sd**2)
        states = states + _by_day(prior.gain, misfit(states)) - pull
    return states


def _readings(shape: Shape, stations: Sequence[Station], states: FloatArray) -> FloatArray:
    turned = _Turned(states)
    return np.column_stack([_read(shape, station, turned) for station in stations])


def _by_day(matrix: FloatArray, vector: FloatArray) -> FloatArray:
    """Each day's matrix times its vector; numpy's einsum of them takes three times as long."""
    return np.asarray((matrix @ vector[:, :, None])[:, :, 0])


def _movement(shape: Shape, stations: Sequence[Station], states: FloatArray, prior: "_Prior") -> Movement:
    rows = derived_rows(shape)
    state_sd = np.sqrt(np.einsum("dii->di", prior.covariance))
    apart = state_sd <= NOT_OBSERVED * prior.sd
    drift = np.array([station.drift_mm_per_year for station in stations])
    shares = (rows @ prior.gain) * drift
    return Movement(
        states=states,
        state_sd=state_sd,
        derived_mm=states @ rows.T,
        derived_sd_mm=np.sqrt(((rows @ prior.covariance) * rows).sum(axis=2)),
        observed=np.column_stack([apart[:, need].all(axis=1) for need in rows != 0])
        & np.isfinite(states[:, :1]),
        drift_mm_per_year=np.sqrt((shares**2).sum(axis=2)),
    )
