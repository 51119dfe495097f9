"""What a door's gauges can tell of its leaf, which cannot be told, and which gauge would change that."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import combinations

from server.doors.built import BuiltDoor, joints_of, shoulder_pairs
from server.doors.carpentry import shape_of, stations_of
from server.errors import OutOfRangeError
from server.joinery.kit import (
    FARTHEST_TENTHS,
    PLANNED_MOISTURE_PCT,
    Kit,
    Place,
    judge,
    judged_within_pct,
    next_gauges,
    plan,
)
from server.joinery.leaf import DERIVED, USABLE_SD_MM, Shape, Station
from server.joinery.telling import why_not_told
from server.timber.slab import METER_SD_PCT, UNREAD_SD_PCT

# Usual places, mm from the ends of an edge; head and sill gauges go over the stiles, whose ends hardly swell.
FROM_END_MM = 100.0
# Two gauges of one kind so near are one place.
NEAR_MM = 60.0
USUAL_SD_MM = 0.03
# Of the start this much is still in the wood in the days of the hung line: three weeks at 12 degC of a slab
# of 60 days. A convention of this project.
LEFT_OF_START = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Help:
    """Gauges that, added, bring one of sag, rack and droop to `sd_mm`; `usable`: near enough to be judged."""

    gauges: tuple[str, ...]
    sd_mm: float
    usable: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Metered:
    """How far from the hung moisture a day may be judged, with the leaf's moisture at hanging read or not.

    `is_read`: it was, so `now` is `read`; else what a usual meter would give. None: on no day.
    """

    is_read: bool
    pct: float | None
    sd_pct: float
    unread: Mapping[str, float | None]
    read: Mapping[str, float | None]

    @property
    def now(self) -> Mapping[str, float | None]:
        """As the door is."""
        return self.read if self.is_read else self.unread

    @property
    def changed(self) -> tuple[str, ...]:
        """Those of sag, rack and droop that the reading changes."""
        return tuple(name for name in self.read if self.read[name] != self.unread[name])


@dataclass(frozen=True, slots=True, kw_only=True)
class KitTold:
    """A kit in its opening: what it tells, what would help with what it does not, joints without gauges.

    `why`: of each of sag, rack and droop that is not usable, what the gauges cannot part.
    """

    opening: str
    moisture_change_pct: float
    kit: Kit
    helps: Mapping[str, Help]
    bare_joints: tuple[str, ...]
    why: Mapping[str, str]
    metered: Metered


def kit_of(
    built: BuiltDoor, *, opening: str | None = None, moisture_change_pct: float = PLANNED_MOISTURE_PCT
) -> KitTold:
    """What the door's own gauges tell, in its own kind of opening unless another is asked for.

    Raises OutOfRangeError for a kind of opening that is not known, or hinges without a distance.
    """
    place, own = _place(built, opening, moisture_change_pct), stations_of(built)
    kit = judge(place, own)
    others = candidates_of(built, beside=own.values())
    lacking = [name for name in DERIVED if kit.told[name] != "usable"]
    pairs = shoulder_pairs(built)
    return KitTold(
        opening=place.opening,
        moisture_change_pct=moisture_change_pct,
        kit=kit,
        helps={name: best for name in lacking if (best := _help(place, own, others, name))},
        bare_joints=tuple(joint for joint in joints_of(built) if joint not in pairs),
        why={
            name: why_not_told(
                name,
                kit.told[name],
                [one.kind for one in own.values()],
                opening=place.opening,
                sd_mm=kit.sd_mm[name],
            )
            for name in lacking
        },
        metered=metered_of(built, opening=opening),
    )


def metered_of(built: BuiltDoor, *, opening: str | None = None) -> Metered:
    """What the meter's reading of the leaf at hanging changes of what its gauges tell, or would change.

    Raises OutOfRangeError as `kit_of`.
    """
    place, own = _place(built, opening, PLANNED_MOISTURE_PCT), stations_of(built)
    pct, sd_pct = built.moisture_at_hanging_pct, built.moisture_at_hanging_sd_pct
    known_pct = METER_SD_PCT if pct is None or sd_pct is None else sd_pct
    unread, read = (
        judged_within_pct(replace(place, start_doubt_pct=LEFT_OF_START * doubt_pct), own)
        for doubt_pct in (UNREAD_SD_PCT, known_pct)
    )
    return Metered(is_read=pct is not None, pct=pct, sd_pct=known_pct, unread=unread, read=read)


def best_kit(
    built: BuiltDoor,
    count: int,
    *,
    keep: bool = False,
    opening: str | None = None,
    moisture_change_pct: float = PLANNED_MOISTURE_PCT,
) -> Kit:
    """The best kit of so many gauges at the usual places; `keep`: the door's own gauges among them.

    Raises OutOfRangeError for a count that the places cannot fill.
    """
    own = stations_of(built) if keep else {}
    places = own | candidates_of(built, beside=own.values())
    return plan(_place(built, opening, moisture_change_pct), places, count, owned=own)


def next_of(
    built: BuiltDoor, *, opening: str | None = None, moisture_change_pct: float = PLANNED_MOISTURE_PCT
) -> tuple[tuple[tuple[str, ...], float], ...]:
    """Each gauge, or pair of diagonals, that may be added and the rack's standard deviation with it, mm."""
    own = stations_of(built)
    others = candidates_of(built, beside=own.values())
    found = next_gauges(_place(built, opening, moisture_change_pct), own | others, list(own))
    return tuple((option.gauges, option.rack_sd_mm) for option in found)


def candidates_of(built: BuiltDoor, *, beside: Iterable[Station] = ()) -> dict[str, Station]:
    """The usual places of gauges on this leaf, without those where a gauge stands already."""
    taken = list(beside)
    return {
        name: station
        for name, station in _usual(shape_of(built)).items()
        if not any(_is_near(station, other) for other in taken)
    }


def place_words(name: str) -> str:
    """A usual place in words of the trade: `sill-latch` gives "at the sill, latch side"."""
    kind, _, end = name.partition("-")
    if kind == "diag":
        return "a diagonal from the hinge side's " + ("head" if end == "fall" else "foot")
    if kind in ("head", "sill"):
        return f"at the {kind}, {end} side"
    ends = {"bottom": "near the foot", "mid": "at half height", "top": "near the head"}
    return f"at the {kind} edge, {ends.get(end, end)}"


def gauges_words(names: tuple[str, ...]) -> str:
    """Gauges to be added, in words."""
    if set(names) == {"diag-fall", "diag-rise"}:
        return "both crossing diagonals"
    return " and ".join(place_words(name) for name in names)


def within_words(within_pct: float | None) -> str:
    """How far from the hung moisture a day may be judged, in words."""
    if within_pct is None:
        return "on no day"
    if within_pct >= FARTHEST_TENTHS / 10:
        return "on every day"
    return f"within {within_pct:.1f} % of the moisture of its hung line"


def _place(built: BuiltDoor, opening: str | None, moisture_change_pct: float) -> Place:
    if not 0 <= moisture_change_pct <= 20:
        raise OutOfRangeError("moisture that a kit is planned for", "0 to 20 %", f"{moisture_change_pct:g}")
    return Place(
        shape=shape_of(built),
        opening=opening or built.opening.kind,
        moisture_change_pct=moisture_change_pct,
    )


def _usual(shape: Shape) -> dict[str, Station]:
    over_hinge, over_latch = shape.stile_mm / 2, shape.width_mm - shape.stile_mm / 2
    foot, head = FROM_END_MM, shape.height_mm - FROM_END_MM
    places: dict[str, tuple[str, tuple[float, ...]]] = {
        "head-hinge": ("head", (over_hinge,)),
        "head-latch": ("head", (over_latch,)),
        "latch-bottom": ("latch", (foot,)),
        "latch-mid": ("latch", (shape.height_mm / 2,)),
        "latch-top": ("latch", (head,)),
        "hinge-bottom": ("hinge", (foot,)),
        "hinge-top": ("hinge", (head,)),
        "sill-hinge": ("sill", (over_hinge,)),
        "sill-latch": ("sill", (over_latch,)),
        "diag-fall": ("diag", (over_hinge, head, over_latch, foot)),
        "diag-rise": ("diag", (over_hinge, foot, over_latch, head)),
    }
    return {
        name: Station(kind=kind, at_mm=at_mm, sd_mm=USUAL_SD_MM) for name, (kind, at_mm) in places.items()
    }


def _is_near(station: Station, other: Station) -> bool:
    if (station.kind, station.on) != (other.kind, other.on):
        return False
    return all(abs(a - b) <= NEAR_MM for a, b in zip(station.at_mm, other.at_mm, strict=True))


def _help(place: Place, own: Mapping[str, Station], others: Mapping[str, Station], name: str) -> Help | None:
    """The fewest gauges that make it usable, else those that come nearest."""
    diagonals = [one for one in others if others[one].kind == "diag"]
    steps: list[tuple[str, ...]] = [(one,) for one in others] + list(combinations(diagonals, 2))
    tried = [(_with(place, own, others, step, name), step) for step in steps]
    for size in (1, 2):
        enough = [(help_.sd_mm, step, help_) for help_, step in tried if help_.usable and len(step) == size]
        if enough:
            return min(enough)[2]
    return min(tried, key=lambda one: one[0].sd_mm)[0] if tried else None


def _with(
    place: Place,
    own: Mapping[str, Station],
    others: Mapping[str, Station],
    step: tuple[str, ...],
    name: str,
) -> Help:
    kit = judge(place, {**own, **{one: others[one] for one in step}})
    sd_mm = kit.sd_mm[name]
    return Help(gauges=step, sd_mm=sd_mm, usable=kit.told[name] == "usable" and sd_mm <= USABLE_SD_MM)
