"""The gauges of the kit: constants drawn once for each, and the ratio that each sends for a length."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sensors.sources.simulated.air import HOUR_MS
from sensors.sources.simulated.draws import stream
from sensors.sources.simulated.leaf import AS_HUNG_MM, EDGE_GAUGES
from sensors.sources.simulated.wood import Moisture

WAVE_PERIOD_MM = 4.0
DAY_MS = 86_400_000
LEAF_OPEN_MM = 6.0
STEPS_15_BIT = 32768.0
_DECIMALS = {"/": 6, "Cel": 2, "%RH": 2, "V": 3, "count": 0, "m/s2": 3}
_IDEAL_DECIMALS = 9
_WAVES_PER_MM = 2.0 * math.pi / WAVE_PERIOD_MM

SHOULDERS = ("lock-hinge", "lock-latch", "top-hinge")
SPACING_MM = {"lock-hinge": 170.0, "lock-latch": 170.0, "top-hinge": 90.0}
SHOULDER_GAUGES = tuple(f"{joint}-{end}" for joint in SHOULDERS for end in ("top", "bottom"))
KIT_GAUGES = SHOULDER_GAUGES + EDGE_GAUGES[:7]
EVERY_GAUGES = EDGE_GAUGES[7:]


@dataclass(frozen=True, slots=True)
class SimChannel:
    """A channel as it goes on the wire: a value is a whole number of 10**-decimals of its unit."""

    name: str
    unit: str
    decimals: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """One displacement gauge with its own faults of making; `stroke_mm` is what is printed on it.

    `nominal_mm` is its reading as hung; a ratio of `centre` belongs to it. `opens` says that its plunger
    comes out when the leaf is opened.
    """

    name: str
    nominal_mm: float
    stroke_mm: float
    centre: float
    gain: float = 0.0
    wave_mm: float = 0.0
    phase_rad: float = 0.0
    per_k_mm: float = 0.0
    noise_mm: float = 0.0
    walk_mm: float = 0.0
    rounded: bool = True
    opens: bool = False

    def ratio(self, change_mm: float, *, temp_c: float = 20.0, added_mm: float = 0.0) -> float:
        """The ratio sent for a change from nominal; added_mm is noise, wander and fault together."""
        x = change_mm + self.wave_mm * math.sin(_WAVES_PER_MM * change_mm + self.phase_rad)
        x += self.per_k_mm * (temp_c - 20.0) + added_mm
        ratio = min(1.0, max(0.0, self.centre + x * (1.0 + self.gain) / self.stroke_mm))
        return round(ratio * STEPS_15_BIT) / STEPS_15_BIT if self.rounded else ratio


def channels(
    gauges: Sequence[str] = KIT_GAUGES, *, use: bool = False, ideal: bool = False
) -> tuple[SimChannel, ...]:
    """The channels in their order on the wire: 18 with the usual gauges, and with `use` two more.

    `ideal`: nine decimals of all that is not a count.
    """
    named = [("air-temp", "Cel"), ("air-rh", "%RH"), *((name, "/") for name in gauges if name in KIT_GAUGES)]
    named += [("shut", "/"), ("ref", "/"), ("battery", "V")]
    named += [(name, "/") for name in gauges if name in EVERY_GAUGES]
    named += [("openings", "count"), ("slam", "m/s2")] if use else []
    return tuple(SimChannel(name, unit, _decimals(unit, ideal=ideal)) for name, unit in named)


def draw_gauges(
    names: Sequence[str] = KIT_GAUGES, *, seed: int, door: str, ideal: bool = False
) -> tuple[Gauge, ...]:
    """The displacement gauges of a door, each from a stream of its own, so that one more changes no other."""
    return tuple(_drawn(name, seed=seed, door=door, ideal=ideal) for name in names)


def is_working_hour(ms: int) -> bool:
    """Whether people work at the door at this moment: 8 to 18 h, Monday to Saturday (UTC)."""
    days, of_day = divmod(ms, DAY_MS)
    is_sunday = days % 7 == 3  # the 1st of January 1970 was a Thursday
    return 8 * HOUR_MS <= of_day < 18 * HOUR_MS and not is_sunday


def _decimals(unit: str, *, ideal: bool) -> int:
    return _IDEAL_DECIMALS if ideal and unit != "count" else _DECIMALS[unit]


def _drawn(name: str, *, seed: int, door: str, ideal: bool) -> Gauge:
    rng = stream(seed, door, name)
    stroke_mm, sd_per_k_mm, noise_mm, walk_mm = _make_of(name)
    nominal = 0.0 if name in SHOULDER_GAUGES else AS_HUNG_MM[EDGE_GAUGES.index(name)]
    opens = name in EDGE_GAUGES and not name.startswith("diag")
    centre = rng.uniform(0.42, 0.58)
    plain = Gauge(
        name=name, nominal_mm=nominal, stroke_mm=stroke_mm, centre=centre, rounded=False, opens=opens
    )
    if ideal:
        return plain
    return Gauge(
        name=name,
        nominal_mm=nominal,
        stroke_mm=stroke_mm,
        centre=centre,
        gain=rng.gauss(0.0, 0.004),
        wave_mm=rng.uniform(0.0, 0.004),
        phase_rad=rng.uniform(0.0, 2.0 * math.pi),
        per_k_mm=rng.gauss(0.0, sd_per_k_mm),
        noise_mm=noise_mm,
        walk_mm=walk_mm,
        opens=opens,
    )


def _make_of(name: str) -> tuple[float, float, float, float]:
    """Stroke mm, sd of the temperature's pull mm/K, noise mm, wander mm a root year. Invented."""
    if name in SHOULDER_GAUGES:
        return 5.0, 0.00015, 0.0012, 0.0012
    if name.startswith("diag"):
        return 10.0, 0.0008, 0.004, 0.003
    return 10.0, 0.0003, 0.004, 0.006 if name.startswith("sill") else 0.004


class Bank:
    """The gauges of a door as time goes on: each has its noise and its wander, drawn day by day."""

    def __init__(self, gauges: Sequence[Gauge], *, seed: int, door: str) -> None:
        self._gauges = tuple(gauges)
        self._noise = [stream(seed, door, gauge.name, "noise") for gauge in gauges]
        self._wander = [stream(seed, door, gauge.name, "wander") for gauge in gauges]
        self._day = -1
        self._before = [0.0] * len(gauges)
        self._after = [0.0] * len(gauges)

    def read(
        self,
        lengths_mm: Sequence[float],
        *,
        day: float,
        temp_c: float,
        is_open: bool,
        faults_mm: Mapping[str, float],
    ) -> list[float]:
        """The ratios for the true readings, gauges in their order. Days must not go back."""
        self._walk_to(int(day))
        part = day - self._day
        ratios = []
        rows = zip(self._gauges, self._noise, self._before, self._after, lengths_mm, strict=True)
        for gauge, noise, before, after, length in rows:
            added = before + part * (after - before) + noise.gauss(0.0, 1.0) * gauge.noise_mm
            if faults_mm:
                added += faults_mm.get(gauge.name, 0.0)
            change = length - gauge.nominal_mm + (LEAF_OPEN_MM if is_open and gauge.opens else 0.0)
            ratios.append(gauge.ratio(change, temp_c=temp_c, added_mm=added))
        return ratios

    def _walk_to(self, day: int) -> None:
        while self._day < day:
            self._day += 1
            self._before = self._after
            self._after = [
                at + rng.gauss(0.0, 1.0) * gauge.walk_mm / math.sqrt(365.25)
                for at, rng, gauge in zip(self._before, self._wander, self._gauges, strict=True)
            ]


class Others:
    """What hangs beside the displacement gauges: air, shut contact, reference pair, battery."""

    def __init__(self, *, seed: int, door: str, ideal: bool) -> None:
        self._air, self._contact, self._ref = (stream(seed, door, name) for name in ("air", "shut", "ref"))
        self._noise = 0.0 if ideal else 1.0

    def read(self, ms: int, years: float, hour: Moisture, offsets: Mapping[str, float]) -> list[float]:
        """Temperature C, humidity %, shut 0 or 1, reference ratio, battery V."""
        air, noise = self._air.gauss, self._noise
        rh = hour.rh_pct + noise * (air(0.0, 0.5) + 0.3 * years) + offsets.get("air-rh", 0.0)
        temp_c = hour.temp_c + noise * air(0.0, 0.1) + offsets.get("air-temp", 0.0)
        shut = 0.0 if self._contact.random() < _open_chance(ms) else 1.0
        ref = 0.5 + noise * self._ref.gauss(0.0, 1.2e-5)
        battery_v = 3.2 - 0.03 * years + noise * self._ref.gauss(0.0, 0.002)
        return [temp_c, min(100.0, max(0.0, rh)), shut, ref, battery_v]


def _open_chance(ms: int) -> float:
    """The leaf stands open now and then while people work, hardly ever else."""
    return 0.08 if is_working_hour(ms) else 0.003
