"""Two joints side by side on one sheet of A4: drawn to one scale, with what their sizes say of them."""

from collections.abc import Sequence
from datetime import date
from html import escape

from server.doors.joint_drawing import drawing, scale_of
from server.doors.joint_file import JointFile
from server.joinery.reckoner import FACTOR_RANGE, Row

CAUTION = (
    "Sizes compare joints; they are no strength. This is no design and no approval: fire, escape and other "
    "rated doors, local codes and licensed practice come first."
)
# Nothing is fetched: a sheet is read in a workshop without a network, and years later.
STYLE = """
@page { size: A4; margin: 10mm 12mm }
html { background: white; color: black; font: 8.5pt/1.25 serif }
body { margin: 0 auto; max-width: 186mm }
h1 { font-size: 14pt; margin: 0 0 1mm }
.pair { display: grid; grid-template-columns: 1fr 1fr; gap: 6mm; margin: 2mm 0 3mm }
figure { margin: 0 }
figcaption { margin-top: 1mm }
table { border-collapse: collapse; width: 100% }
th, td { border: 0.2mm solid black; padding: 0.6mm 1.2mm; text-align: left; vertical-align: top }
td.n { text-align: right }
p { margin: 1.2mm 0 }
ul { margin: 1mm 0; padding-left: 5mm }
.last { border-top: 0.4mm solid black; margin-top: 3mm; padding-top: 1mm }
"""


def sheet(
    a: JointFile, b: JointFile, rows: Sequence[Row], *, moisture_pct: float, on: date, last_line: str
) -> str:
    """The sheet as a page of HTML. `last_line` says what a trial could tell; no total, no rank."""
    scale = scale_of((a, b))
    shown = [escape(one.shown) for one in (a, b)]
    title = f"{shown[0]} and {shown[1]}, side by side"
    figures = "".join(_figure(one, scale) for one in (a, b))
    moved = f"Moisture assumed to change by {moisture_pct:g} %. Sizes in mm. {on.isoformat()}."
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f"<title>{title}</title><style>{STYLE}</style></head>\n<body>\n<h1>{title}</h1>\n"
        f"<p>Both drawn at 1 : {scale:g}: the rail's end in the stile, and the rail's end itself.</p>\n"
        f'<div class="pair">{figures}</div>\n{_table(rows, shown)}\n'
        f"<p>{escape(moved)}</p>\n{_warnings((a, b))}\n"
        f'<p>{escape(CAUTION)}</p>\n<p class="last">{escape(last_line)}</p>\n</body></html>\n'
    )


def _figure(one: JointFile, scale: float) -> str:
    said = [
        f"Rail {one.rail_depth_mm:g} deep, leaf {one.thickness_mm:g}, stile {one.stile_mm:g}, {one.species}.",
        _joint_words(one),
    ]
    caption = f"<b>{escape(one.shown)}</b><br>{'<br>'.join(escape(line) for line in said if line)}"
    return f"<figure>{drawing(one, scale)}<figcaption>{caption}</figcaption></figure>"


def _joint_words(one: JointFile) -> str:
    joint, parts = one.joint, []
    if joint.width_mm is not None:
        name = "Stub" if joint.kind == "stub_loose" else "Tenon"
        parts.append(f"{name} {joint.width_mm:g} wide, {joint.depth_mm:g} deep, {joint.thickness_mm:g} thick")
    if joint.loose:
        first = joint.loose[0]
        size = f"{first.width_mm:g} x {first.thickness_mm:g}, {first.depth_mm:g} in the stile"
        if joint.kind == "dowels":
            size = f"{first.width_mm:g} across, {first.depth_mm:g} in the stile"
        name = "dowels" if joint.kind == "dowels" else "loose tenons"
        parts.append(f"{len(joint.loose)} {name} {size}")
    if joint.stiffness_kn_m_per_rad is not None:
        parts.append(f"Stiffness given: {joint.stiffness_kn_m_per_rad:g} kN m/rad")
    if joint.adhesive:
        parts.append(f"glue: {joint.adhesive}")
    return "; ".join(parts)


def _table(rows: Sequence[Row], shown: Sequence[str]) -> str:
    heads = ("", *shown, "b/a", "says", "does not say")
    head = "".join(f"<th>{one}</th>" for one in heads)
    ranged = any(row.range_a is not None for row in rows)
    low, high = FACTOR_RANGE
    note = f"<p>In brackets: over stiffness factors {low:g} to {high:g}.</p>" if ranged else ""
    body = "".join(_line(row) for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>{note}"


def _line(row: Row) -> str:
    name = row.name + (f", {row.unit}" if row.unit else "")
    ratio = "" if row.ratio is None else f"{row.ratio:.3f}"
    numbers = "".join(
        f'<td class="n">{escape(text)}</td>'
        for text in (figure_words(row.a, row.range_a), figure_words(row.b, row.range_b), ratio)
    )
    words = "".join(f"<td>{escape(text)}</td>" for text in (row.says, row.does_not_say))
    return f"<tr><th>{escape(name)}</th>{numbers}{words}</tr>"


def figure_words(value: float | None, over: tuple[float, float] | None) -> str:
    """A figure of the sheet with its range, or that it is not known."""
    if value is None:
        return "not known"
    shown = f"{value:.4g}"
    return shown if over is None else f"{shown} ({over[0]:.3g} to {over[1]:.3g})"


def _warnings(joints: Sequence[JointFile]) -> str:
    said = [f"{one.shown}: {warning}" for one in joints for warning in one.warnings]
    return f"<ul>{''.join(f'<li>{escape(one)}</li>' for one in said)}</ul>" if said else ""
