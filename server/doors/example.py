"""The files of the two invented doors of Saltmarsh Yard, `north` and `south`."""

from dataclasses import dataclass
from datetime import UTC, datetime

from server.errors import UnknownDoorError

SITE = "saltmarsh-yard"
HUNG = datetime(2026, 3, 2, 12, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Example:
    shown: str
    heading: str
    joints: dict[str, str]


HEAD = """\
# {heading}
# Sizes in mm, weights in kg. The figures of this door are invented.

[door]
site = "{site}"
node = "{name}"
name = "{name}"
shown = "{shown}"
hung = {hung}
width_mm = 1050
height_mm = 2150
thickness_mm = 54
stile_mm = 120
species = "sapele"
density_kg_m3 = 674
modulus_gpa = 11.72
moisture_at_glue_up_pct = 12.0
# moisture_at_hanging_pct = 12.0   # by meter when it was hung, the mean of four places
hand = "left"                # the hinges' side, seen from where the gauges are
rated = "none"               # none, fire, escape, alarmed, not_known

[opening]
kind = "rigid"               # rigid, head_drops, leans
material = "masonry"
gap_hinge_mm = 2
gap_head_mm = 3
gap_latch_mm = 3
gap_sill_mm = 8
"""
RAIL = """
[[rail]]
name = "{name}"
axis_mm = {axis_mm}
depth_mm = {depth_mm}

[rail.joint_hinge]
{joint}
[rail.joint_latch]
{joint}"""
REST = """
[[panel]]
thickness_mm = 18
groove_mm = 12
floats = true

[[panel]]
thickness_mm = 18
groove_mm = 12
floats = true

[[hinge]]
y_mm = 250
bears = true                 # the one taken to carry the weight

[[hinge]]
y_mm = 1075

[[hinge]]
y_mm = 1900

[[extra]]
name = "lock set"
mass_kg = 1.8
x_mm = 990
y_mm = 950

[[extra]]
name = "hinge leaves"
mass_kg = 0.9
x_mm = 0
y_mm = 1075

[limits]
keep_free_mm = 0.5
rack_mm = 0.15
opening_open_mm = 0.30

# [limits.turn_open_mrad]    # your own number for a joint; the others are reckoned when the door is added
# lock-hinge = 0.2

# A joint may also have batch, glue_date, moisture_pct, open_min, cure_h and note.
# A gauge of kind "tilt" sends rad and stands on = "stile", "rail", "jamb" or "head"; alone it tells nothing.
"""
TENON = 'kind = "mortise_tenon"\nwidth_mm = {width}\ndepth_mm = 90\nthickness_mm = 18\nadhesive = "epoxy"\n'
STUB = """\
kind = "stub_loose"
stub_width_mm = {width}
stub_depth_mm = 20
stub_thickness_mm = 14
stub_glued = false
loose_at_mm = {at}
loose_width_mm = 30
loose_depth_mm = 38
loose_thickness_mm = 10
adhesive = "epoxy"
"""
RAILS = {"bottom": (120, 240), "lock": (950, 200), "top": (2090, 120)}
PAIRS = {"lock-hinge": 85, "lock-latch": 85, "top-hinge": 45}
EDGES = {
    "head-hinge": ("head", [60]),
    "head-latch": ("head", [990]),
    "latch-bottom": ("latch", [100]),
    "latch-top": ("latch", [2050]),
    "sill-latch": ("sill", [990]),
    "diag-fall": ("diag", [60, 2050, 990, 100]),
    "diag-rise": ("diag", [60, 100, 990, 2050]),
}
OTHERS = {
    "shut": ("shut", "/"),
    "ref": ("ref", "/"),
    "battery": ("battery", "V"),
}
USE = """
# A counter of openings, and a meter of slams: the greatest peak since the reading before, its mean taken out.
# [[gauge]]
# channel = "openings"
# kind = "openings"
# unit = "count"
#
# [[gauge]]
# channel = "slam"
# kind = "slam"
# unit = "m/s2"
"""
EXAMPLES = {
    "north": _Example(
        shown="North",
        heading="North: one deep mortise and tenon at each rail end.",
        joints={
            name: TENON.format(width=width) for name, width in (("bottom", 180), ("lock", 160), ("top", 80))
        },
    ),
    "south": _Example(
        shown="South",
        heading="South: a stub tenon and loose tenons at each rail end.",
        joints={
            "bottom": STUB.format(width=180, at=[-96, -64, -32, 0, 32, 64, 96]),
            "lock": STUB.format(width=160, at=[-76, -38, 0, 38, 76]),
            "top": STUB.format(width=80, at=[-36, 0, 36]),
        },
    ),
}


def example_text(name: str, *, hung: datetime = HUNG, calibration: str | None = None) -> str:
    """The door's file of `north` or `south`, hung then, its gauges calibrated by a file of that name.

    Raises UnknownDoorError for any other.
    """
    if name not in EXAMPLES:
        raise UnknownDoorError(f"show example {name!r:.40}", f"one of {', '.join(EXAMPLES)}", f"{name!r:.40}")
    example = EXAMPLES[name]
    moment = hung.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    parts = [HEAD.format(heading=example.heading, site=SITE, name=name, shown=example.shown, hung=moment)]
    for rail, (axis_mm, depth_mm) in RAILS.items():
        parts.append(RAIL.format(name=rail, axis_mm=axis_mm, depth_mm=depth_mm, joint=example.joints[rail]))
    parts.append(REST)
    return "".join(parts + _gauges(calibration))


def _gauges(calibration: str | None) -> list[str]:
    file = "" if calibration is None else f'calibration = "{calibration}"\n'
    texts = [_gauge("air-temp", "air_temp", "Cel"), _gauge("air-rh", "air_rh", "%RH")]
    for joint, offset_mm in PAIRS.items():
        for end, sign in (("top", 1), ("bottom", -1)):
            station = f'station_mm = [{sign * offset_mm}]\njoint = "{joint}"\nsd_mm = 0.0036\n'
            texts.append(_gauge(f"{joint}-{end}", "shoulder", "/") + station + file)
    for channel, (kind, station_mm) in EDGES.items():
        texts.append(_gauge(channel, kind, "/") + f"station_mm = {station_mm}\nsd_mm = 0.03\n" + file)
    texts += [_gauge(channel, kind, unit) for channel, (kind, unit) in OTHERS.items()]
    return [*texts, USE]


def _gauge(channel: str, kind: str, unit: str) -> str:
    return f'\n[[gauge]]\nchannel = "{channel}"\nkind = "{kind}"\nunit = "{unit}"\n'
