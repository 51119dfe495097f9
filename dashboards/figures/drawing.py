"""Drawings to scale: the leaf in its frame, the limit bar, the interval of a difference."""

from collections.abc import Sequence
from dataclasses import dataclass

ENLARGED = 60  # times, at first
RISE_X = -120  # where the leaf's height is dimensioned, left of the frame


@dataclass(frozen=True, slots=True, kw_only=True)
class RailSeen:
    """A rail as drawn: its axis above the foot and its depth, mm."""

    axis_mm: float
    depth_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeSeen:
    """A gauge as drawn: from the hinge edge and the foot, mm; `is_lost`: not heard, or in doubt."""

    x_mm: float
    y_mm: float
    is_lost: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Leaf:
    """A leaf as built, hinges on the left, mm."""

    width_mm: float
    height_mm: float
    stile_mm: float
    rails: Sequence[RailSeen]
    hinges_mm: Sequence[float]
    gauges: Sequence[GaugeSeen]


@dataclass(frozen=True, slots=True, kw_only=True)
class Circle:
    """A ring or knob in units of the drawing (1 mm)."""

    x: float
    y: float
    is_lost: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Elevation:
    """Everything the template needs to draw a leaf 60 times out of true. One unit is one mm, y downwards."""

    width: float
    height: float
    box: str
    stays: float
    back: float
    leaf: str
    panels: str
    joints: str
    frame: str
    dropped: str
    dropped_back: str
    hung_line: str
    hinges: tuple[float, ...]
    gauges: tuple[Circle, ...]
    knob: Circle
    dimension: str
    dimension_y: float
    rise_x: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """A limit bar in per cent: what stays, then the season, of the limit."""

    stays: str
    season_from: str
    season: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A difference on a line with none at its middle, in per cent; `inner`: the narrower interval in it."""

    low: str
    width: str
    middle: str
    high: str
    inner: str | None = None
    inner_width: str | None = None
    band: tuple[str, ...] = ()


def elevation(leaf: Leaf, *, stays_mm: float, back_mm: float, times: int = ENLARGED) -> Elevation:
    """The leaf with its latch side down by the droop, `times` over."""
    w, h, s = leaf.width_mm, leaf.height_mm, leaf.stile_mm
    drop = (stays_mm + back_mm) * times

    def low(x: float, y: float) -> str:
        return f"{x:.0f} {y + drop * x / w:.1f}"

    far, beside, knob_x = w - s, w + 45, w - s / 2
    edges = [h - r.axis_mm + side * r.depth_mm / 2 for r in leaf.rails for side in (-1, 1)]
    panels = "".join(f"M{low(s, y)}L{low(far, y)}" for y in edges if 1 < y < h - 1)
    panels += "".join(f"M{low(x, 0)}L{low(x, h)}" for x in (s, far))
    joints = "".join(
        f"M{low(x, h - r.axis_mm - r.depth_mm / 2)}L{low(x, h - r.axis_mm + r.depth_mm / 2)}"
        for x in (s, far)
        for r in leaf.rails
    )
    return Elevation(
        width=w,
        height=h,
        box=f"-230 -150 {w + 380:.0f} {h + 440:.0f}",
        stays=stays_mm,
        back=back_mm,
        leaf=f"M0 0L{low(w, 0)}L{low(w, h)}L0 {h:.0f}Z",
        panels=panels,
        joints=joints,
        frame=f"M-50 {h + 170:.0f}V-50H{w + 12:.0f}V{h + 60:.0f}",
        dropped=f"M{beside:.0f} {h:.0f}V{h + stays_mm * times:.1f}",
        dropped_back=f"M{beside:.0f} {h + stays_mm * times:.1f}V{h + drop:.1f}",
        hung_line=f"M-40 0H{w + 90:.0f}M-40 {h:.0f}H{w + 90:.0f}",
        hinges=tuple(h - y - 55 for y in leaf.hinges_mm),
        gauges=tuple(
            Circle(x=g.x_mm, y=round(h - g.y_mm + drop * g.x_mm / w, 1), is_lost=g.is_lost)
            for g in leaf.gauges
        ),
        knob=Circle(x=knob_x, y=round(h * 0.53 + drop * knob_x / w, 1)),
        dimension=_dimensions(w, h),
        dimension_y=h + 236,
        rise_x=RISE_X - 20,
    )


def bar(stays: float, season: float | None, limit: float) -> Bar:
    """What is spent of a limit; `season` None where only what stays counts."""
    kept = min(100.0, max(0.0, stays / limit * 100))
    if not season:
        return Bar(stays=f"{kept:.1f}%", season_from=f"{kept:.1f}%", season=None)
    more = min(100 - kept, season / limit * 100)
    return Bar(stays=f"{kept:.1f}%", season_from=f"{kept:.1f}%", season=f"{more:.1f}%")


def interval(
    low: float,
    middle: float,
    high: float,
    *,
    inner: tuple[float, float] | None = None,
    band: float | None = None,
) -> Interval:
    """The difference as a bar, its own figures left room at both ends; `inner` is a narrower interval in it.

    `band`: the difference that matters, to be marked to both sides of none.
    """
    reach = max(abs(low), abs(high), 1e-6) * 1.6

    def at(value: float) -> float:
        return 50 + max(-1.0, min(1.0, value / reach)) * 50

    return Interval(
        low=f"{at(low):.1f}%",
        width=f"{at(high) - at(low):.1f}%",
        middle=f"{at(middle):.1f}%",
        high=f"{at(high):.1f}%",
        inner=None if inner is None else f"{at(inner[0]):.1f}%",
        inner_width=None if inner is None else f"{at(inner[1]) - at(inner[0]):.1f}%",
        band=() if band is None or band > reach else (f"{at(-band):.1f}%", f"{at(band):.1f}%"),
    )


def _dimensions(w: float, h: float) -> str:
    """The lines that the leaf's width and height are written on."""
    across = f"M0 {h + 250:.0f}H{w:.0f}M0 {h + 225:.0f}v50M{w:.0f} {h + 225:.0f}v50"
    return f"{across}M{RISE_X} 0V{h:.0f}M{RISE_X - 25} 0h50M{RISE_X - 25} {h:.0f}h50"
