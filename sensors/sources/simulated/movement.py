"""What moves at a door over the years: the season, what stays, hinges and frame, and what happens to it."""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from sensors.sources.simulated.air import HOUR_MS
from sensors.sources.simulated.doors import JOINTS, DoorBuild, Opening
from sensors.sources.simulated.leaf import HINGES_APART_MM, RAIL_MM, WIDTH_MM, Movement
from sensors.sources.simulated.wood import START_PCT, Moisture

YEAR_DAYS = 365.25
_TURN_SET_PART = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Slam:
    """A blow on one day: the top hinge moved, the leaf racked, and a joint (or, with None, each) turned."""

    day: float
    hinge_mm: float
    rack_mrad: float
    turn_mrad: float
    joint: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehang:
    """The hinges set back to as new on one day, the leaf moved toward the latch by a little."""

    day: float
    moved_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Happenings:
    """All that happens to one door beside its season."""

    openings: tuple[Opening, ...] = ()
    slams: tuple[Slam, ...] = ()
    rehangs: tuple[Rehang, ...] = field(default=())


@dataclass(frozen=True, slots=True, kw_only=True)
class DoorState:
    """The true state of a door at one moment; joints in the order of `doors.JOINTS`."""

    moisture_pct: float
    move: Movement
    turns_mrad: tuple[float, ...]
    opened_mrad: tuple[float, ...]
    permanent_rack_mm: float
    ratchet_mm: float

    @property
    def sag_mm(self) -> float:
        """The latch edge's drop from the leaf's turning at the hinges."""
        return self.move.phi_rad * WIDTH_MM

    @property
    def rack_mm(self) -> float:
        """The latch stile's drop from the rails' turning in the stiles."""
        return self.move.gamma_rad * RAIL_MM

    @property
    def droop_mm(self) -> float:
        """The drop of the latch corner."""
        return -self.move.v_mm + self.sag_mm + self.rack_mm


def door_state(
    build: DoorBuild, happenings: Happenings, *, years: float, moisture_pct: float, swept_pct: float
) -> DoorState:
    """The state so many years after hanging, at a mean moisture and a swept moisture (see `swept_hours`)."""
    change = moisture_pct - START_PCT
    season = build.rack_per_pct * change
    grown = years**build.set_power if years > 0.0 else 0.0
    slams = [slam for slam in happenings.slams if slam.day <= years * YEAR_DAYS]
    opened = tuple(_opened(happenings.openings, joint, years) for joint in JOINTS)
    shared = sum(opening.share * opening.turn_mrad(years) for opening in happenings.openings)
    stays_mrad = build.set_mrad * grown + shared + sum(slam.rack_mrad for slam in slams)
    ratchet_mrad = build.ratchet_mrad_per_pct * swept_pct
    gamma_mrad = build.rack_mrad * season + stays_mrad + ratchet_mrad
    turns = tuple(
        first * season
        + _TURN_SET_PART * first * grown
        + open_mrad
        + sum(slam.turn_mrad for slam in slams if slam.joint in (None, joint))
        for joint, first, open_mrad in zip(JOINTS, build.turn_mrad, opened, strict=True)
    )
    u_mm, v_mm, phi_rad = _at_the_hinges(build, happenings, slams, years)
    move = Movement(
        u_mm=u_mm,
        v_mm=v_mm,
        phi_rad=phi_rad,
        gamma_rad=gamma_mrad / 1000.0,
        stile_strain=build.across_per_pct * change,
        grain_strain=build.along_per_pct * change,
        lean_rad=build.lean_mrad_per_year * years / 1000.0,
        head_rad=build.head_mrad_per_year * years / 1000.0,
    )
    return DoorState(
        moisture_pct=moisture_pct,
        move=move,
        turns_mrad=turns,
        opened_mrad=opened,
        permanent_rack_mm=RAIL_MM * stays_mrad / 1000.0,
        ratchet_mm=RAIL_MM * ratchet_mrad / 1000.0,
    )


def given_state(move: Movement, *, moisture_pct: float) -> DoorState:
    """A state whose movement is given: all of its rack counts as staying, and no joint turns."""
    still = (0.0,) * len(JOINTS)
    return DoorState(
        moisture_pct=moisture_pct,
        move=move,
        turns_mrad=still,
        opened_mrad=still,
        permanent_rack_mm=RAIL_MM * move.gamma_rad,
        ratchet_mm=0.0,
    )


def swept_hours(hours: Iterable[Moisture]) -> Iterator[tuple[Moisture, float]]:
    """Each hour with the moisture swept so far: the changes from day to day, all counted positive."""
    swept = 0.0
    before = START_PCT
    for k, hour in enumerate(hours):
        if k % 24 == 0:
            swept += abs(hour.mean_pct - before)
            before = hour.mean_pct
        yield hour, swept


class Course:
    """The hours of the wood, read between: straight lines from hour to hour. Moments must not go back."""

    def __init__(self, hours: Iterator[tuple[Moisture, float]], start_ms: int) -> None:
        self._hours = hours
        self._start_ms = start_ms
        self._k = 0
        self._before, self._after = next(hours), next(hours)

    def at(self, ms: int) -> tuple[Moisture, float]:
        """The leaf at a moment, and the moisture swept by then."""
        k, rest = divmod(ms - self._start_ms, HOUR_MS)
        while self._k < k:
            self._k += 1
            self._before, self._after = self._after, next(self._hours)
        if not rest:
            return self._before
        (a, swept), (b, _) = self._before, self._after
        part = rest / HOUR_MS
        between = Moisture(
            a.temp_c + part * (b.temp_c - a.temp_c),
            a.rh_pct + part * (b.rh_pct - a.rh_pct),
            a.mean_pct + part * (b.mean_pct - a.mean_pct),
            a.face_pct + part * (b.face_pct - a.face_pct),
        )
        return between, swept


def _opened(openings: tuple[Opening, ...], joint: str, years: float) -> float:
    return sum((opening.turn_mrad(years) for opening in openings if opening.joint == joint), 0.0)


def _at_the_hinges(
    build: DoorBuild, happenings: Happenings, slams: list[Slam], years: float
) -> tuple[float, float, float]:
    hung = [rehang for rehang in happenings.rehangs if rehang.day <= years * YEAR_DAYS]
    last_day = max((rehang.day for rehang in hung), default=0.0)
    worn = years - last_day / YEAR_DAYS
    top = build.hinge_top_mm_per_year * worn
    top += sum(slam.hinge_mm for slam in slams if slam.day >= last_day)
    bottom = build.hinge_bottom_mm_per_year * worn
    u_mm = (top + bottom) / 2.0 + sum(rehang.moved_mm for rehang in hung)
    return u_mm, -build.hinge_drop_mm_per_year * worn, math.asin((top - bottom) / HINGES_APART_MM)
