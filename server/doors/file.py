"""The door's file: TOML in mm, kg and GPa, read into a door as built with every complaint at once."""

import unicodedata
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isnan
from pathlib import Path

from server.doors.built import (
    KEEP_FREE_MM,
    OPENING_LIMIT_MM,
    RACK_LIMIT_MM,
    BuiltDoor,
    Extra,
    Hinge,
    Limits,
    Opening,
    Panel,
    Rail,
)
from server.doors.file_gauges import read_gauges
from server.doors.file_joints import NO_SOURCE, Stock, read_joint
from server.doors.names import SLUG_NEEDED, is_slug, name_fault
from server.doors.toml_table import Table, open_sheet
from server.errors import FileError
from server.timber.slab import METER_SD_PCT

HANDS = ("left", "right")
RATINGS = ("not_known", "none", "fire", "escape", "alarmed")
OPENINGS = ("rigid", "head_drops", "leans")
LEAST_GAP_MM = 2.0
# What a pin meter reads with any trust, and how far off its mean of some places may be: our conventions.
METERED_PCT, METERED_SD_PCT = (6, 25), (0.1, 3)
EARLIEST = datetime(1500, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class DoorFile:
    """A door read from its file; `warnings` are for a person, `calibrations` gives each gauge's file."""

    built: BuiltDoor
    warnings: tuple[str, ...]
    calibrations: dict[str, Path]


def read_door(text: str, *, where: str) -> DoorFile:
    """The door of a TOML text. Calibration files are looked for beside `where`.

    Raises FileError with every complaint at once, each `FILE:LINE key: what came, what is needed`.
    """
    root = open_sheet(text, where)
    built = _built(root)
    root.close()
    sheet = root.sheet
    if sheet.complaints:
        raise FileError(
            f"read {where}", "every key to be usable", [said for _, said in sorted(sheet.complaints)]
        )
    folder = Path(where).parent
    return DoorFile(
        built=built,
        warnings=tuple(said for _, said in sorted(sheet.warnings)),
        calibrations={one.channel: folder / one.calibration for one in built.gauges if one.calibration},
    )


def _built(root: Table) -> BuiltDoor:
    door = root.table("door")
    width_mm = door.number("width_mm", 300, 2500)
    height_mm = door.number("height_mm", 600, 4000)
    stock = _stock(door, width_mm)
    rails = _rails(root, height_mm, stock)
    metered_pct, metered_sd_pct = _metered(door)
    built = BuiltDoor(
        site=_slug(door, "site"),
        node=_slug(door, "node"),
        name=_slug(door, "name"),
        shown=_shown(door),
        hung=_hung(door),
        width_mm=width_mm,
        height_mm=height_mm,
        thickness_mm=stock.leaf_mm,
        stile_mm=stock.stile_mm,
        species=door.text("species", longest=40),
        density_kg_m3=door.number("density_kg_m3", 200, 1300),
        modulus_gpa=door.maybe("modulus_gpa", 2, 30),
        moisture_at_glue_up_pct=stock.moisture_pct or 0.0,
        hand=door.choice("hand", HANDS),
        rated=door.choice("rated", RATINGS, default="not_known"),
        opening=_opening(root),
        rails=rails,
        panels=_panels(root, stock, most=max(0, len(rails) - 1)),
        hinges=_hinges(root, height_mm),
        extras=_extras(root, width_mm, height_mm),
        gauges=read_gauges(root, width_mm=width_mm, height_mm=height_mm, rails=rails),
        limits=_limits(root, rails),
        moisture_at_hanging_pct=metered_pct,
        moisture_at_hanging_sd_pct=metered_sd_pct,
    )
    door.close()
    return built


def _stock(door: Table, width_mm: float) -> Stock:
    stock = Stock(
        leaf_mm=door.number("thickness_mm", 20, 150),
        stile_mm=door.number("stile_mm", 40, 400),
        width_mm=width_mm,
        moisture_pct=door.number("moisture_at_glue_up_pct", 4, 40),
    )
    if stock.stile_mm * 2 >= width_mm:
        door.complain("stile_mm", f"{stock.stile_mm:g} came, less than half the width is needed")
    return stock


def _slug(door: Table, key: str) -> str:
    text = door.text(key)
    if text and not is_slug(text):
        door.complain(key, f"{text!r:.40} came, {SLUG_NEEDED} is needed")
    return text


def _shown(door: Table) -> str:
    text = unicodedata.normalize("NFC", door.text("shown"))
    if text and (fault := name_fault(text)):
        door.complain("shown", f"{text!r:.40} came, {fault} is needed")
    return text


def _hung(door: Table) -> datetime:
    hung = door.moment("hung")
    if hung is not None and hung < EARLIEST:
        door.complain("hung", f"{hung:%Y-%m-%d} came, a day after {EARLIEST:%Y} is needed")
    return (hung or EARLIEST).astimezone(UTC)


def _metered(door: Table) -> tuple[float | None, float | None]:
    """The leaf's mean moisture by meter when it was hung, and how well the meter tells it."""
    pct = door.maybe("moisture_at_hanging_pct", *METERED_PCT)
    sd_pct = door.maybe("moisture_at_hanging_sd_pct", *METERED_SD_PCT)
    if sd_pct is not None and pct is None:
        needed = "moisture_at_hanging_pct, the reading that it is of, is needed"
        door.complain("moisture_at_hanging_sd_pct", f"{sd_pct:g} came alone, {needed}")
    return pct, METER_SD_PCT if sd_pct is None and pct is not None else sd_pct


def _opening(root: Table) -> Opening:
    table = root.table("opening")
    gaps = {
        key: table.number(key, 0, 30)
        for key in ("gap_hinge_mm", "gap_head_mm", "gap_latch_mm", "gap_sill_mm")
    }
    for key, gap_mm in gaps.items():
        if gap_mm < LEAST_GAP_MM:
            table.warn(
                key,
                f"{gap_mm:g} mm is a narrow gap: under {LEAST_GAP_MM:g} mm a damp season may close it "
                f"({NO_SOURCE})",
            )
    opening = Opening(
        kind=table.choice("kind", OPENINGS), material=table.text("material", default=""), **gaps
    )
    table.close()
    return opening


def _rails(root: Table, height_mm: float, stock: Stock) -> tuple[Rail, ...]:
    tables = root.tables("rail", least=2)
    rails = [_rail(table, height_mm, stock) for table in tables]
    for number, (table, rail) in enumerate(zip(tables, rails, strict=True)):
        for other in rails[:number]:
            if rail.name and rail.name == other.name:
                table.complain("name", f"{rail.name!r} came twice, a name of its own is needed")
            elif abs(rail.axis_mm - other.axis_mm) < (rail.depth_mm + other.depth_mm) / 2:
                table.complain("axis_mm", f"{rail.axis_mm:g} came, a rail clear of {other.name} is needed")
    return tuple(sorted(rails, key=lambda rail: (isnan(rail.axis_mm), rail.axis_mm)))


def _rail(table: Table, height_mm: float, stock: Stock) -> Rail:
    name = _slug(table, "name")
    axis_mm, depth_mm = table.number("axis_mm", 0, 4000), table.number("depth_mm", 40, 600)
    if axis_mm - depth_mm / 2 < 0 or axis_mm + depth_mm / 2 > height_mm:
        table.complain(
            "axis_mm", f"{axis_mm:g} came, a rail inside the leaf is needed (0 to {height_mm:g} mm)"
        )
    joints = {key: read_joint(table.table(key), depth_mm, stock) for key in ("joint_hinge", "joint_latch")}
    table.close()
    return Rail(name=name, axis_mm=axis_mm, depth_mm=depth_mm, **joints)


def _panels(root: Table, stock: Stock, *, most: int) -> tuple[Panel, ...]:
    panels = []
    for number, table in enumerate(root.tables("panel")):
        panel = Panel(
            thickness_mm=table.number("thickness_mm", 3, 100),
            groove_mm=table.number("groove_mm", 0, 40),
            floats=table.flag("floats"),
        )
        if panel.thickness_mm > stock.leaf_mm:
            table.complain("thickness_mm", f"{panel.thickness_mm:g} came, no more than the leaf's is needed")
        if "floats" in table.tree and not panel.floats:
            table.warn(
                "floats",
                "a panel that does not float braces the leaf, so the frame's figures are switched off, and "
                f"may split as it shrinks: it is usually left loose in its grooves ({NO_SOURCE})",
            )
        if number == most:
            table.complain(None, f"one panel too many came, at most {most} between the rails are needed")
        table.close()
        panels.append(panel)
    return tuple(panels)


def _hinges(root: Table, height_mm: float) -> tuple[Hinge, ...]:
    tables = root.tables("hinge", least=2)
    hinges = []
    for table in tables:
        hinges.append(Hinge(y_mm=table.number("y_mm", 0, 4000), bears=table.flag("bears", default=False)))
        if hinges[-1].y_mm > height_mm:
            table.complain(
                "y_mm", f"{hinges[-1].y_mm:g} came, a height on the leaf is needed (0 to {height_mm:g})"
            )
        if [one.y_mm for one in hinges].count(hinges[-1].y_mm) > 1:
            table.complain("y_mm", f"{hinges[-1].y_mm:g} came twice, one height a hinge is needed")
        table.close()
    bearing = sum(hinge.bears for hinge in hinges)
    if tables and bearing != 1:
        tables[0].complain("bears", f"{bearing} hinges that bear came, exactly one is needed")
    return tuple(sorted(hinges, key=lambda hinge: hinge.y_mm))


def _extras(root: Table, width_mm: float, height_mm: float) -> tuple[Extra, ...]:
    extras = []
    for table in root.tables("extra"):
        extra = Extra(
            name=table.text("name", longest=40),
            mass_kg=table.number("mass_kg", 0, 200),
            x_mm=table.number("x_mm", -100, 2600),
            y_mm=table.number("y_mm", -100, 4100),
        )
        if extra.x_mm > width_mm + 100 or extra.y_mm > height_mm + 100:
            table.complain("x_mm", f"{extra.x_mm:g}, {extra.y_mm:g} came, a point on the leaf is needed")
        table.close()
        extras.append(extra)
    return tuple(extras)


def _limits(root: Table, rails: tuple[Rail, ...]) -> Limits:
    table = root.table("limits", needed=False)
    limits = Limits(
        droop_mm=table.maybe("droop_mm", 0.1, 30),
        keep_free_mm=table.number("keep_free_mm", 0, 10, default=KEEP_FREE_MM),
        rack_mm=table.number("rack_mm", 0.01, 30, default=RACK_LIMIT_MM),
        opening_open_mm=table.number("opening_open_mm", 0.01, 30, default=OPENING_LIMIT_MM),
        turn_open_mrad=_turns(table, rails),
        gauge_mm=table.maybe("gauge_mm", 0.01, 30),
    )
    table.close()
    return limits


def _turns(limits: Table, rails: tuple[Rail, ...]) -> dict[str, float]:
    table = limits.table("turn_open_mrad", needed=False)
    joints = [f"{rail.name}-{end}" for rail in rails for end in ("hinge", "latch")]
    turns = {joint: table.maybe(joint, 0.01, 50) for joint in joints}
    table.close()
    return {joint: turn for joint, turn in turns.items() if turn is not None}
