"""A joint drawn to scale from the side and from its end, as a picture in SVG; black on white."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from server.doors.joint_file import JointFile

# What a drawing may take of the paper, mm, and the scales that a workshop reads.
WIDE_MM, HIGH_MM = 84.0, 66.0
SCALES = (1.0, 2.0, 2.5, 5.0, 10.0, 20.0)
# Of the rail and the stile so much is drawn beyond the joint, mm of wood.
BEYOND_MM = 45.0
BETWEEN_MM = 40.0
# Paper about a drawing, so that its lines are whole.
MARGIN_MM = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class _Box:
    """A rectangle, mm of wood: left, top, width, height. `hidden`: in the wood; `round`: a dowel's end."""

    x: float
    y: float
    width: float
    height: float
    hidden: bool = False
    round: bool = False


def scale_of(joints: Sequence[JointFile]) -> float:
    """The one scale at which each of the joints fits its place: 1 mm of paper for so many of wood."""
    return next((scale for scale in SCALES if all(_fits(one, scale) for one in joints)), SCALES[-1])


def drawing(one: JointFile, scale: float) -> str:
    """The joint in SVG at that scale: the rail's end in the stile from the side, and the end itself."""
    width, height = (side + 2 * scale * MARGIN_MM for side in _size(one))
    edge = -scale * MARGIN_MM
    shapes = "".join(_shape(box) for box in _boxes(one))
    size = f'width="{width / scale:.2f}mm" height="{height / scale:.2f}mm"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} viewBox="{edge:g} {edge:g} {width:g} {height:g}" '
        f'stroke-width="{0.25 * scale:g}" stroke="black" fill="none" role="img">{shapes}</svg>'
    )


def _size(one: JointFile) -> tuple[float, float]:
    width = one.stile_mm + BEYOND_MM + BETWEEN_MM + one.thickness_mm
    return width, one.rail_depth_mm + 2 * BEYOND_MM


def _fits(one: JointFile, scale: float) -> bool:
    width, height = _size(one)
    return width / scale + 2 * MARGIN_MM <= WIDE_MM and height / scale + 2 * MARGIN_MM <= HIGH_MM


def _boxes(one: JointFile) -> Iterator[_Box]:
    """Stile, rail and what goes from the one into the other; then the rail's end with the same."""
    shoulder, top, end = one.stile_mm, BEYOND_MM, one.stile_mm + BEYOND_MM + BETWEEN_MM
    yield _Box(x=0, y=0, width=shoulder, height=one.rail_depth_mm + 2 * BEYOND_MM)
    yield _Box(x=shoulder, y=top, width=BEYOND_MM, height=one.rail_depth_mm)
    yield _Box(x=end, y=top, width=one.thickness_mm, height=one.rail_depth_mm)
    axis, middle = top + one.rail_depth_mm / 2, end + one.thickness_mm / 2
    for at, width, depth, thickness, in_rail, is_round in _tenons(one):
        y = axis - at - width / 2
        yield _Box(x=shoulder - depth, y=y, width=depth + in_rail, height=width, hidden=True)
        yield _Box(x=middle - thickness / 2, y=y, width=thickness, height=width, round=is_round)


def _tenons(one: JointFile) -> Iterator[tuple[float, float, float, float, float, bool]]:
    """Of each tenon, stub or dowel: above the axis, width, depth, thickness, how far into the rail, round."""
    joint = one.joint
    if joint.width_mm is not None and joint.depth_mm is not None and joint.thickness_mm is not None:
        yield 0.0, joint.width_mm, joint.depth_mm, joint.thickness_mm, 0.0, False
    for each in joint.loose:
        into = min(each.depth_mm, BEYOND_MM)
        is_round = joint.kind == "dowels"
        yield each.at_mm, each.width_mm, each.depth_mm, each.thickness_mm, into, is_round


def _shape(box: _Box) -> str:
    dashes = ' stroke-dasharray="6 4"' if box.hidden else ""
    corner = f' rx="{box.width / 2:g}"' if box.round else ""
    place = f'x="{box.x:g}" y="{box.y:g}" width="{box.width:g}" height="{box.height:g}"'
    return f"<rect {place}{corner}{dashes}/>"
