"""Which series a door has, and each one's days from the hung line, carried across its versions."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from server.doors.built import (
    EDGE_KINDS,
    BuiltDoor,
    Gauge,
    droop_limit_mm,
    shoulder_pairs,
    spacing_mm,
    turn_limit_mrad,
)
from server.doors.changes import replaced_by
from server.inspection.chained import Joined, Piece, joined
from server.inspection.declared import declared_steps
from server.inspection.line import Line
from server.inspection.moisture import Moisture, start_of
from server.inspection.moved import DERIVED, Moved, moved_in
from server.inspection.spans import Span, spans_of, trended_gauges
from server.inspection.values import DoorInputs
from server.joinery import leaf
from server.trend.series import DoorFacts, for_droop, for_opening, for_turn

__all__ = ["DERIVED", "DaySeries", "made_series", "trended_gauges"]

FloatArray = NDArray[np.float64]
Pair = tuple[Gauge, Gauge]


@dataclass(frozen=True, slots=True, kw_only=True)
class DaySeries:
    """One series of a door: a value a day (NaN where there is none) and what is declared of it.

    `carried`: what it had come to when the version of the door that stands now was begun.
    """

    key: str
    unit: str
    value: FloatArray
    facts: DoorFacts
    sd_day: float
    told: str
    rests_on: tuple[str, ...]
    mean_now: float | None = None
    carried: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Versions:
    """A door's days, its versions and the line of each."""

    inputs: DoorInputs
    spans: tuple[Span, ...]
    lines: tuple[Line, ...]

    @property
    def built(self) -> BuiltDoor:
        """The door as it stands now."""
        return self.spans[-1].built

    def from_zero(self, place: int, name: str) -> FloatArray:
        """A gauge's days in one version, from that version's own zero; NaN on all others."""
        zero = self.lines[place].zero_mm.get(name, np.nan)
        mine = self.spans[place].within(self.inputs.day)
        return np.where(mine, self.inputs.gauges[name].median - zero, np.nan)

    def zero_moved(self, place: int, before: tuple[int, str], name: str) -> float:
        """By how much a gauge's zero moved since an earlier version: as it reads on, or tied to that one.

        NaN where it was set anew, and nothing was measured across.
        """
        earlier, was = before
        zero, zero_before = self.zero(place, name), self.zero(earlier, was)
        if was == name:
            return np.nan if name in self.spans[place].version.moved else zero - zero_before
        tied = self.lines[place].tied.get(name)
        is_tied = tied is not None and tied.replaces == was and self.lines[place].is_tied(name)
        return zero - (tied.by_mm or 0.0) - zero_before if tied is not None and is_tied else np.nan

    def day_of(self, place: int) -> int:
        """The day since hanging on which a version was begun."""
        return self.spans[place].version.day - self.inputs.hung_day

    def zero(self, place: int, name: str) -> float:
        """A gauge's zero in one version; NaN where there is none."""
        return self.lines[place].zero_mm.get(name, np.nan)


def made_series(inputs: DoorInputs, line: Line, moisture: Moisture | None) -> tuple[DaySeries, ...]:
    """Droop, sag and rack where the kit tells them, the joints, the gaps; else the one gauge."""
    at = _Versions(inputs=inputs, spans=spans_of(inputs), lines=line.each or (line,))
    built = at.built
    here = [gauge for gauge in built.gauges if gauge.channel in inputs.gauges]
    names = {gauge.channel for gauge in here}
    made = _leaf_series(at, moisture)
    for joint, pair in shoulder_pairs(built).items():
        if all(gauge.channel in names for gauge in pair):
            made += _joint_series(at, joint, pair)
    made += [_gauge_series(at, one, f"gap:{one.channel}") for one in here if one.kind in EDGE_KINDS]
    if not any(one.key == "droop" for one in made):
        made += [_gauge_series(at, one, f"gauge:{one.channel}") for one in here if one.kind == "droop"]
    return tuple(made)


def _facts(
    inputs: DoorInputs, facts: DoorFacts, whole: Joined, made: tuple[Iterable[str], set[int]]
) -> DoorFacts:
    """With the steps declared of a series: `made` of these gauges, and begun anew on those days."""
    steps, rezeroed = declared_steps(inputs, *made)
    seen = np.flatnonzero(np.isfinite(whole.value))
    start = start_of(inputs, int(inputs.day[seen[0]]) if seen.size else None)
    # An opening is asked without a meter's reading: that tells where the wood begins and not where it goes,
    # for of the air on its far face nobody knows, and what it dries by would be taken for known.
    start_pct = None if facts.start_sd else start.pct
    return replace(facts, declared_steps=steps, rezeroed=rezeroed, start_pct=start_pct)


def _leaf_series(at: _Versions, moisture: Moisture | None) -> list[DaySeries]:
    parts = moved_in(at.inputs, at.spans, at.lines, moisture)
    if not parts:
        return []
    made = [_derived(at, name, parts) for name in DERIVED]
    return [one for one in made if one is not None]


def _derived(at: _Versions, name: str, parts: tuple[Moved, ...]) -> DaySeries | None:
    pieces = [Piece(value=_told_days(name, part), shift=0.0 if part.goes_on else None) for part in parts]
    last_part, last_piece = parts[-1], pieces[-1]
    told_on = np.flatnonzero(np.isfinite(last_piece.value[last_part.mine]))
    # The kit that hangs there now does not tell it: what was told of it before is no answer for today.
    if told_on.size == 0:
        return None
    last, place = int(told_on[-1]), leaf.DERIVED.index(name)
    found, whole = last_part.movement, joined(pieces)
    limits = {"droop": droop_limit_mm(at.built), "rack": at.built.limits.rack_mm, "sag": None}
    drift = float(found.drift_mm_per_year[last, place])
    facts = replace(for_droop(), drift_per_year=drift, limit=limits[name])
    gauges = {gauge for part in parts for gauge in part.gauges}
    return DaySeries(
        key=name,
        unit="mm",
        value=whole.value,
        facts=_facts(at.inputs, facts, whole, (gauges, {parts[one].begun for one in whole.anew})),
        sd_day=float(found.derived_sd_mm[last, place]),
        told=found.told(name)[last],
        rests_on=tuple(f"{at.built.node}/{one}" for one in last_part.gauges),
        carried=whole.carried,
    )


def _told_days(name: str, part: Moved) -> FloatArray:
    value, found = part.movement.value_mm(name), part.movement
    whole = np.full(part.mine.size, np.nan)
    # A kit that tells it on a few days near the hung moisture alone does not tell it.
    if np.isfinite(value).sum() * 2 >= max(int(np.isfinite(found.derived_mm[:, 0]).sum()), 1):
        whole[part.mine] = value
    return whole


def _joint_series(at: _Versions, joint: str, pair: Pair) -> list[DaySeries]:
    (top, bottom), spacing = pair, spacing_mm(pair)
    sd_above, sd_below = (at.lines[-1].sd_mm(gauge.channel, gauge.sd_mm) for gauge in pair)
    sd = float(np.hypot(sd_above, sd_below))
    drift = float(np.hypot(top.drift_mm_per_year, bottom.drift_mm_per_year))
    rests_on = tuple(_channel(at.built, gauge) for gauge in pair)
    turns, made = _joined_pair(at, joint, _turn_of(joint.rpartition("-")[2]))
    openings, _ = _joined_pair(at, joint, lambda _, above, below: leaf.mean_opening_mm(above, below))
    of_turn = replace(
        for_turn(spacing), drift_per_year=1000 * drift / spacing, limit=turn_limit_mrad(at.built, joint)
    )
    of_opening = replace(for_opening(), drift_per_year=drift / 2, limit=at.built.limits.opening_open_mm)
    turn = DaySeries(
        key=f"turn:{joint}",
        unit="mrad",
        value=turns.value,
        facts=_facts(at.inputs, of_turn, turns, made),
        sd_day=1000 * sd / spacing,
        told="usable",
        rests_on=rests_on,
        carried=turns.carried,
    )
    gaps = leaf.mean_opening_mm(*(at.inputs.gauges[gauge.channel].median for gauge in pair))
    seen = gaps[np.isfinite(gaps)]
    opening = DaySeries(
        key=f"opening:{joint}",
        unit="mm",
        value=openings.value,
        facts=_facts(at.inputs, of_opening, openings, made),
        sd_day=sd / 2,
        told="usable",
        rests_on=rests_on,
        mean_now=float(np.median(seen[-7:])) if seen.size else None,
        carried=openings.carried,
    )
    return [turn, opening]


Reckoned = Callable[[Pair, FloatArray, FloatArray], FloatArray]


def _turn_of(end: str) -> Reckoned:
    def turn(pair: Pair, above: FloatArray, below: FloatArray) -> FloatArray:
        return leaf.turn_mrad(above, below, spacing_mm=spacing_mm(pair), end=end)

    return turn


def _joined_pair(at: _Versions, joint: str, reckon: Reckoned) -> tuple[Joined, tuple[set[str], set[int]]]:
    """A joint's series over all the versions in which it has its pair; re-hanging does not heal it.

    And which gauges it was ever read by, and the days on which it was begun anew.
    """
    pieces: list[Piece] = []
    places: list[int] = []
    before: tuple[int, Pair] | None = None
    gauges: set[str] = set()
    for place, span in enumerate(at.spans):
        pair = shoulder_pairs(span.built).get(joint)
        if pair is None or any(gauge.channel not in at.inputs.gauges for gauge in pair):
            continue
        above, below = (at.from_zero(place, gauge.channel) for gauge in pair)
        shift = None
        if before is not None:
            earlier, old = before
            moved = [
                np.array(at.zero_moved(place, (earlier, then.channel), now.channel))
                for then, now in zip(old, pair, strict=True)
            ]
            shift = _number(reckon(pair, moved[0], moved[1]))
        pieces.append(Piece(value=reckon(pair, above, below), shift=shift))
        places.append(place)
        gauges |= {gauge.channel for gauge in pair}
        before = (place, pair)
    whole = joined(pieces)
    return whole, (gauges, {at.day_of(places[one]) for one in whole.anew})


def _number(value: FloatArray) -> float | None:
    """A shift that is known; None where a line had no zero of a gauge."""
    return float(value) if np.isfinite(value) else None


def _gauge_series(at: _Versions, gauge: Gauge, key: str) -> DaySeries:
    limits, limit = at.built.limits, None
    if key.startswith("gauge:"):
        limit = limits.gauge_mm if limits.gauge_mm is not None else limits.droop_mm
    whole, made = _joined_gauge(at, gauge.channel)
    facts = replace(for_droop(), drift_per_year=gauge.drift_mm_per_year, limit=limit)
    return DaySeries(
        key=key,
        unit="mm",
        value=whole.value,
        facts=_facts(at.inputs, facts, whole, made),
        sd_day=at.lines[-1].sd_mm(gauge.channel, gauge.sd_mm),
        told="usable",
        rests_on=(_channel(at.built, gauge),),
        carried=whole.carried,
    )


def _joined_gauge(at: _Versions, name: str) -> tuple[Joined, tuple[set[str], set[int]]]:
    """One place's series: its gauge, and before that those which it and they replaced."""
    pieces: list[Piece] = []
    named = _names_at_place(at, name)
    before: tuple[int, str] | None = None
    for place, one in named.items():
        shift = None if before is None else _number(np.array(at.zero_moved(place, before, one)))
        pieces.append(Piece(value=at.from_zero(place, one), shift=shift))
        before = (place, one)
    whole = joined(pieces)
    places = list(named)
    return whole, (set(named.values()), {at.day_of(places[one]) for one in whole.anew})


def _names_at_place(at: _Versions, name: str) -> dict[int, str]:
    """The gauge that stood there in each version that had one, in order of the versions."""
    found: dict[int, str] = {}
    for place in range(len(at.spans) - 1, -1, -1):
        built = at.spans[place].built
        if name in trended_gauges(built) and name in at.inputs.gauges:
            found[place] = name
        replaced = replaced_by(at.spans[place - 1].built, built) if place else {}
        name = replaced.get(name, name)
    return dict(sorted(found.items()))


def _channel(built: BuiltDoor, gauge: Gauge) -> str:
    return f"{built.node}/{gauge.channel}"
