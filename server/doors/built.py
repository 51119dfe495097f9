"""A door as built and hung: its sizes, joints, hinges, gauges and limits, as one frozen value."""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Any

KINDS_OF_JOINT = ("mortise_tenon", "stub_loose", "dowels", "given")
EDGE_KINDS = ("head", "sill", "latch", "hinge")
STATIONS = {"head": 1, "sill": 1, "latch": 1, "hinge": 1, "diag": 4, "shoulder": 1}
TILTED = ("stile", "rail", "jamb", "head")
GAUGE_KINDS = (
    *STATIONS,
    "tilt",
    "air_temp",
    "air_rh",
    "shut",
    "ref",
    "battery",
    "droop",
    "openings",
    "slam",
)
KEEP_FREE_MM, RACK_LIMIT_MM, OPENING_LIMIT_MM = 0.5, 0.15, 0.30
LEAST_TURN_MRAD, USUAL_SPACING_MM = 0.166, 170.0
STIFFNESS_FACTOR = 0.2
METERED = ("moisture_at_hanging_pct", "moisture_at_hanging_sd_pct")


@dataclass(frozen=True, slots=True, kw_only=True)
class LooseTenon:
    """One loose tenon or dowel. `at_mm` counts from the rail axis, `depth_mm` into the stile."""

    at_mm: float
    width_mm: float
    depth_mm: float
    thickness_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """A rail's end in its stile. Width is across the rail, depth into the stile; a `given` joint has none.

    Tenon of `mortise_tenon`, stub of `stub_loose`; `loose` also holds dowels (width and thickness: diameter).
    `moisture_pct` of its wood at glue-up, None: the door's; the glue lay open for `open_min`, and stayed in
    the clamps for `cure_h`.
    """

    kind: str
    width_mm: float | None = None
    depth_mm: float | None = None
    thickness_mm: float | None = None
    stub_glued: bool = False
    loose: tuple[LooseTenon, ...] = ()
    stiffness_kn_m_per_rad: float | None = None
    stiffness_factor: float = STIFFNESS_FACTOR
    stiffness_factor_sd: float | None = None
    adhesive: str = ""
    batch: str = ""
    glue_date: str = ""
    moisture_pct: float | None = None
    open_min: float | None = None
    cure_h: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rail:
    """A rail; its axis counts from the bottom edge of the leaf."""

    name: str
    axis_mm: float
    depth_mm: float
    joint_hinge: Joint
    joint_latch: Joint


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """A panel between two rails, from the bottom up."""

    thickness_mm: float
    groove_mm: float
    floats: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Hinge:
    """A hinge at a height of the leaf; `bears`: the one taken to carry the weight."""

    y_mm: float
    bears: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Extra:
    """A lock, a glass, a closer's arm: a weight at a point of the leaf."""

    name: str
    mass_kg: float
    x_mm: float
    y_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """The opening and the gaps as hung. `kind`: `rigid`, `head_drops` or `leans`."""

    kind: str
    material: str
    gap_hinge_mm: float
    gap_head_mm: float
    gap_latch_mm: float
    gap_sill_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """A gauge and its place.

    `station_mm`: X of head and sill, Y of latch and hinge, X1 Y1 X2 Y2 of a diagonal, and of a shoulder gauge
    the distance above the axis of the rail; `joint` is the shoulder's, `lock-hinge`. A tilt stands `on` a
    member; it reads rad, and so are its `sd_mm` and drift. `replaces`: the gauge of this place beside which
    it was set; that one goes on reading for some days more.
    """

    channel: str
    kind: str
    unit: str
    station_mm: tuple[float, ...] = ()
    joint: str | None = None
    calibration: str | None = None
    sd_mm: float = 0.03
    drift_mm_per_year: float = 0.003
    on: str | None = None
    replaces: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What each series may do, counted from the hung line. None: reckoned from the door.

    `turn_open_mrad` are the maker's numbers, `turn_reckoned_mrad` the frame's, reckoned when it was added.
    """

    droop_mm: float | None = None
    keep_free_mm: float = KEEP_FREE_MM
    rack_mm: float = RACK_LIMIT_MM
    opening_open_mm: float = OPENING_LIMIT_MM
    turn_open_mrad: Mapping[str, float]
    turn_reckoned_mrad: Mapping[str, float] = field(default_factory=dict)
    gauge_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BuiltDoor:
    """A door as built and hung. Axes: X from the hinge edge, Y from the bottom edge of the leaf.

    `moisture_at_hanging_pct`: the leaf's mean by meter on the day it was hung, None where it was not read.
    """

    site: str
    node: str
    name: str
    shown: str
    hung: datetime
    width_mm: float
    height_mm: float
    thickness_mm: float
    stile_mm: float
    species: str
    density_kg_m3: float
    modulus_gpa: float | None
    moisture_at_glue_up_pct: float
    hand: str
    rated: str
    opening: Opening
    rails: tuple[Rail, ...]
    panels: tuple[Panel, ...]
    hinges: tuple[Hinge, ...]
    extras: tuple[Extra, ...]
    gauges: tuple[Gauge, ...]
    limits: Limits
    moisture_at_hanging_pct: float | None = None
    moisture_at_hanging_sd_pct: float | None = None


def joints_of(built: BuiltDoor) -> dict[str, Joint]:
    """Every joint by its name, rail and end: `lock-hinge`, `lock-latch` and so on."""
    return {
        f"{rail.name}-{end}": joint
        for rail in built.rails
        for end, joint in (("hinge", rail.joint_hinge), ("latch", rail.joint_latch))
    }


def shoulder_pairs(built: BuiltDoor) -> dict[str, tuple[Gauge, Gauge]]:
    """The two gauges of each joint that has them: the one above the rail's axis, then the one below."""
    found: dict[str, list[Gauge]] = {}
    for gauge in built.gauges:
        if gauge.kind == "shoulder" and gauge.joint:
            found.setdefault(gauge.joint, []).append(gauge)
    ordered = {joint: sorted(pair, key=lambda gauge: -gauge.station_mm[0]) for joint, pair in found.items()}
    return {joint: (pair[0], pair[1]) for joint, pair in ordered.items() if len(pair) == 2}


def spacing_mm(pair: tuple[Gauge, Gauge]) -> float:
    """How far apart the two gauges of a shoulder stand."""
    return pair[0].station_mm[0] - pair[1].station_mm[0]


def turn_limit_mrad(built: BuiltDoor, joint: str) -> float:
    """The turn at which this joint counts as open: the maker's number, else the frame's or the least judged.

    Source: 0.166 mrad over 170 mm; a shorter pair sees less, so its limit rises with it (our convention).
    """
    if joint in built.limits.turn_open_mrad:
        return built.limits.turn_open_mrad[joint]
    pair = shoulder_pairs(built).get(joint)
    least_mrad = LEAST_TURN_MRAD * USUAL_SPACING_MM / (spacing_mm(pair) if pair else USUAL_SPACING_MM)
    return max(least_mrad, built.limits.turn_reckoned_mrad.get(joint, 0.0))


def reference_height_mm(built: BuiltDoor) -> float:
    """The height midway between the outer hinges."""
    heights = [hinge.y_mm for hinge in built.hinges]
    return (min(heights) + max(heights)) / 2


def droop_limit_mm(built: BuiltDoor) -> float:
    """How far the latch corner may drop before the leaf binds, less what is kept free.

    The lesser of the sill gap and of the turn that closes the latch gap at the top corner.
    """
    if built.limits.droop_mm is not None:
        return built.limits.droop_mm
    above_mm = built.height_mm - reference_height_mm(built)
    at_latch_mm = built.opening.gap_latch_mm * built.width_mm / above_mm
    return min(at_latch_mm, built.opening.gap_sill_mm) - built.limits.keep_free_mm


def joint_words(built: BuiltDoor) -> str:
    """The joints of a door in words of the trade; the glue is named where it alone holds the rail."""
    words = list(dict.fromkeys(_words(joint, built.stile_mm) for joint in joints_of(built).values()))
    return " and ".join(words)


def to_json(built: BuiltDoor) -> str:
    """The door as JSON text, as it is kept in the register."""
    tree = asdict(built)
    tree["hung"] = built.hung.isoformat()
    # What is not said leaves no trace: a door's text, and what is told by it, stay as they were kept before.
    for table, names in [(tree, METERED), *((gauge, ("replaces",)) for gauge in tree["gauges"])]:
        for name in names:
            if table[name] is None:
                del table[name]
    return json.dumps(tree, ensure_ascii=False)


def from_json(text: str) -> BuiltDoor:
    """The door of `to_json`."""
    tree: dict[str, Any] = json.loads(text)
    tree["hung"] = datetime.fromisoformat(tree["hung"])
    tree["opening"] = Opening(**tree["opening"])
    tree["rails"] = tuple(_rail(rail) for rail in tree["rails"])
    for key, kind in (("panels", Panel), ("hinges", Hinge), ("extras", Extra)):
        tree[key] = tuple(kind(**one) for one in tree[key])
    tree["gauges"] = tuple(Gauge(**one | {"station_mm": tuple(one["station_mm"])}) for one in tree["gauges"])
    tree["limits"] = Limits(**tree["limits"])
    return BuiltDoor(**tree)


def _words(joint: Joint, stile_mm: float) -> str:
    if joint.kind == "mortise_tenon":
        return f"one {_depth_word(joint.depth_mm or 0.0, stile_mm)} mortise and tenon"
    glue = f", {joint.adhesive}" if joint.adhesive else ""
    if joint.kind == "stub_loose":
        return f"stub tenon and loose tenons{glue}"
    return f"dowels{glue}" if joint.kind == "dowels" else "joint of measured stiffness"


def _depth_word(depth_mm: float, stile_mm: float) -> str:
    return "deep" if depth_mm >= stile_mm / 2 else "short"


def _rail(tree: dict[str, Any]) -> Rail:
    joints = {key: _joint(tree[key]) for key in ("joint_hinge", "joint_latch")}
    return Rail(**tree | joints)


def _joint(tree: dict[str, Any]) -> Joint:
    return Joint(**tree | {"loose": tuple(LooseTenon(**one) for one in tree["loose"])})
