"""The nightly look at every sealed trial: its pairs compared on the days since its start, and kept."""

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np
from sqlalchemy.orm import Session

from server.doors.register import DoorHung, find_door
from server.errors import UnknownDoorError
from server.inspection.pair_kept import Spot, keep, kept_pair, kept_rate
from server.inspection.paired import DoorSeries, RateDays, door_series, pair_days, rate_days
from server.inspection.reading import gather
from server.inspection.watch_kept import watches_of
from server.trend.answer import Z_95
from server.trend.paired_nights import PairDays, paired_tonight, rated_tonight
from server.trend.series import Daily, DoorFacts
from server.trend.trial import Doubt
from server.trend.trial_pairs import PairNight, Scaling, Served, scaling, unscaled
from server.trend.trial_pool import over_places
from server.trend.watch import refit_ages
from server.trials.declared import Declared, Side
from server.trials.looks import EPOCH, KeptLook, Tonight, look, looks_of
from server.trials.store import Trial, list_trials

DAY_MS = 86_400_000
NOT_READ, NOT_COUNTED = "no_readings", "use_unknown"
Told = tuple[float, float] | str
"""A figure and its standard error, or the reason why there is none."""
OpeningsAYear = Callable[[Session, DoorHung, int, int], float | None]
"""Openings a year of a door between two days since 1970; None where they are not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialNight:
    """A night as every trial has it: days before `end_day` count (since 1970).

    in_doubt: channels of gauges in doubt, `node/channel`; a trial that rests on one is not compared.
    """

    end_day: int
    in_doubt: frozenset[str] = frozenset()
    openings_a_year: OpeningsAYear | None = None


DoorsRead = dict[str, DoorSeries | None]
"""The doors of a night by the name that records give them, each read once."""


@dataclass(slots=True)
class _Doors:
    """Doors read once a night, however many trials they are in."""

    session: Session
    night: TrialNight
    read: DoorsRead = field(default_factory=dict)

    def found(self, sides: Sequence[Side]) -> tuple[DoorSeries, ...]:
        """The doors of these sides, of those that are hung here."""
        return tuple(door for side in sides if (door := self.of(side)) is not None)

    def of(self, side: Side) -> DoorSeries | None:
        if side.door not in self.read:
            self.read[side.door] = self._read(side.door)
        return self.read[side.door]

    def openings(self, side: Side, from_day: int) -> float | None:
        door, known = self.of(side), self.night.openings_a_year
        if door is None or known is None:
            return None
        return known(self.session, door.inputs.door, from_day, self.night.end_day)

    def _read(self, ref: str) -> DoorSeries | None:
        try:
            door = find_door(self.session, ref)
        except UnknownDoorError:
            return None
        inputs = gather(self.session, door, self.night.end_day)
        return door_series(inputs, watches_of(self.session, door.id))


@dataclass(frozen=True, slots=True, kw_only=True)
class Where:
    """Which fit of a trial is asked for; `spot` says what it must rest on."""

    session: Session
    seal: str
    place: int
    joint: str

    def spot(self, records: Sequence[Daily], facts: Sequence[DoorFacts], later_days: int = 0) -> Spot:
        """The fit of these records as it is kept: its basis is of their days up to the last fit."""
        basis = _basis(records, facts, later_days)
        return Spot(seal=self.seal, place=self.place, joint=self.joint, basis=basis)


def look_at_trials(session: Session, night: TrialNight) -> list[KeptLook]:
    """Look at every trial that stands and was not looked at for this night, and keep each look."""
    read: DoorsRead = {}
    looks = [look_at_trial(session, trial, night, read) for trial in list_trials(session)]
    return [one for one in looks if one is not None]


def look_at_trial(session: Session, trial: Trial, night: TrialNight, read: DoorsRead) -> KeptLook | None:
    """Look at one trial and keep the look; None where it does not stand or this night was looked at.

    read: the doors that this night has read so far, filled as more are needed.
    """
    if not _is_due(session, trial, night.end_day):
        return None
    return _looked(trial, _Doors(session, night, read))


def keys_of(declared: Declared, side: Side) -> tuple[str, ...]:
    """The series that a side of a trial is read by."""
    return ("droop",) if declared.quantity == "droop" else tuple(f"turn:{joint}" for joint in side.joints)


def _is_due(session: Session, trial: Trial, night: int) -> bool:
    day = date.fromordinal(EPOCH.toordinal() + night)
    if not (trial.stands and trial.declared.starts_on < day <= trial.last_day):
        return False
    return all(one.night != night for one in looks_of(session, trial.seal))


def _looked(trial: Trial, doors: _Doors) -> KeptLook:
    declared = trial.declared
    every = (*declared.a, *declared.b)
    if declared.design == "groups":
        pairs = [_alone(trial, place, side, doors) for place, side in enumerate(every)]
    else:
        sides = zip(declared.a, declared.b, strict=True)
        pairs = [_pair(trial, place, both, doors) for place, both in enumerate(sides)]
    rests_on = {side.door: _rests_on(declared, side, doors) for side in every}
    is_doubted = any(not doors.night.in_doubt.isdisjoint(names) for names in rests_on.values())
    doubt: Doubt | None = "gauge_in_doubt" if is_doubted else None
    tonight = Tonight(night=doors.night.end_day, pairs=tuple(pairs), doubt=doubt, facts=rests_on)
    return look(doors.session, trial.seal, tonight)


def _rests_on(declared: Declared, side: Side, doors: _Doors) -> tuple[str, ...]:
    door = doors.of(side)
    series = {} if door is None else door.series
    return tuple(name for key in keys_of(declared, side) if key in series for name in series[key].rests_on)


def _pair(trial: Trial, place: int, sides: tuple[Side, Side], doors: _Doors) -> PairNight:
    """A pair tonight."""
    declared, found = trial.declared, doors.found(sides)
    if len(found) < len(sides):
        return PairNight(refused=NOT_READ)
    if _is_ended(declared, found):
        return PairNight(ended=True)
    sizes = _scalings(declared, sides, doors)
    if sizes is None:
        return PairNight(refused=NOT_COUNTED)
    told: list[Told] = []
    keys = zip(keys_of(declared, sides[0]), keys_of(declared, sides[1]), strict=True)
    for pair, size in zip(keys, sizes, strict=True):
        days = pair_days(found[0], found[1], pair, from_day=_start_day(declared), scaling=size)
        spot = Where(session=doors.session, seal=trial.seal, place=place, joint=pair[0])
        told.append(NOT_READ if days is None else _compared(spot, days, size.after))
    return _mean_of(told, doors.night.end_day)


def _alone(trial: Trial, place: int, side: Side, doors: _Doors) -> PairNight:
    """A door of a group tonight: its own rate."""
    declared, found = trial.declared, doors.found((side,))
    if not found:
        return PairNight(refused=NOT_READ)
    if _is_ended(declared, found):
        return PairNight(ended=True)
    sizes = _scalings(declared, (side, side), doors)
    if sizes is None:
        return PairNight(refused=NOT_COUNTED)
    told: list[Told] = []
    for key, size in zip(keys_of(declared, side), sizes, strict=True):
        days = rate_days(found[0], key, _start_day(declared))
        spot = Where(session=doors.session, seal=trial.seal, place=place, joint=key)
        told.append(NOT_READ if days is None else _rated(spot, days, size.after))
    return _mean_of(told, doors.night.end_day)


def _mean_of(told: Sequence[Told], night: int) -> PairNight:
    """Several joints of one pair: the mean, their errors taken as wholly alike; one refusal refuses all."""
    figures = [one for one in told if not isinstance(one, str)]
    if len(figures) < len(told):
        return PairNight(refused=next(one for one in told if isinstance(one, str)))
    d, se = over_places(*zip(*figures, strict=True))
    return PairNight(served=Served(night=night, d=d, se=se))


def _compared(where: Where, days: PairDays, after: float) -> Told:
    """The difference and its standard error, or why there is none; what was fitted is kept."""
    spot = where.spot((days.a, days.b), days.facts, days.later_days)
    before = kept_pair(where.session, spot)
    said, kept = paired_tonight(days, before)
    if kept is not None and kept is not before:
        keep(where.session, spot, kept)
    if said.difference is None or said.high is None:
        return said.reason or "wide"
    return said.difference * after, (said.high - said.difference) / Z_95 * after


def _rated(where: Where, days: RateDays, after: float) -> Told:
    """The rate and its standard error, or why there is none; what was fitted is kept."""
    spot = where.spot((days.daily,), (days.facts,))
    before = kept_rate(where.session, spot)
    said = rated_tonight(days.daily, days.facts, before, days.watched)
    if before is None and said.kept is not None:
        keep(where.session, spot, said.kept)
    if said.rate is None or said.rate_high is None:
        return said.reason or "wide"
    return said.rate * after, (said.rate_high - said.rate) / Z_95 * after


def _scalings(declared: Declared, sides: tuple[Side, Side], doors: _Doors) -> Sequence[Scaling] | None:
    """What each joint's two series are multiplied by; None where the doors' use is asked and not known."""
    if declared.quantity == "droop":
        return (unscaled(),)
    openings = None
    if declared.quantity == "turn_per_100_n_m_per_10000":
        of_a, of_b = (doors.openings(side, _start_day(declared)) for side in sides)
        if of_a is None or of_b is None:
            return None
        openings = (of_a, of_b)
    moments = zip(sides[0].moments_n_m, sides[1].moments_n_m, strict=True)
    return [scaling(of_a, of_b, openings) for of_a, of_b in moments]


def _start_day(declared: Declared) -> int:
    return declared.starts_on.toordinal() - EPOCH.toordinal()


def _is_ended(declared: Declared, doors: Sequence[DoorSeries]) -> bool:
    """Whether a joint was repaired since the start, where the record says that this ends its pair."""
    if declared.exclusions.get("joint_repaired") != "ends_pair":
        return False
    since = _start_day(declared) * DAY_MS
    return any(mark.kind == "repaired" and mark.t_ms >= since for one in doors for mark in one.inputs.marks)


def _basis(records: Sequence[Daily], facts: Sequence[DoorFacts], later_days: int = 0) -> str:
    """A fingerprint of what a fit rested on: it changes with a mark or a late reading, not with a new day."""
    made = hashlib.blake2b(digest_size=16)
    made.update(json.dumps([later_days, [one.declared_steps for one in facts]]).encode())
    begins = [int(one.day[0]) + later for one, later in zip(records, (0, later_days), strict=False)]
    ends = [int(one.day[-1]) + later for one, later in zip(records, (0, later_days), strict=False)]
    ages = refit_ages(min(ends) - max(begins))
    until = max(begins) + (ages[-1] if ages else 0)
    for one, later in zip(records, (0, later_days), strict=False):
        days = int(np.searchsorted(one.day + later, until, side="right"))
        made.update(np.round(one.value[:days], 6).tobytes())
        made.update(one.temp_c[:days].tobytes())
        made.update(one.rh_pct[:days].tobytes())
    return made.hexdigest()
