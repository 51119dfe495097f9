"""The file of broken sample joints: one glue-up, its joint, and each piece as it was seen to fail."""

from dataclasses import dataclass
from datetime import date
from math import isnan

from server.doors.built import Joint
from server.doors.file_joints import Stock, read_joint
from server.doors.load_file import read_day
from server.doors.names import SLUG_NEEDED, is_slug
from server.doors.toml_table import Table, open_sheet
from server.errors import FileError
from server.joinery.pieces import PLACES

EXAMPLE = """\
# Sample joints of one glue-up, broken on the bench. The figures are invented.

[batch]
name = "pot-3"
made = "2026-05-02"
glued = true                 # false: dry-fitted
glue = "epoxy"
pot = "third of the day"
species = "sapele"
modulus_gpa = 11.72          # of this timber along the grain
moisture_at_glue_up_pct = 12
cure_days = 7
rail_depth_mm = 200
thickness_mm = 54
stile_mm = 120
clamps_urad_per_n_m = 0      # turn of the clamps, from a solid block in their place
doors = "north"              # doors glued up from the same pot, with commas between

[joint]                      # as in the door's file
kind = "mortise_tenon"
width_mm = 160
depth_mm = 90
thickness_mm = 18

[[piece]]
order = 1                    # in which it was made
broken = "2026-05-20"
arm_mm = 300                 # from the shoulder to the load
load_n = 2410                # at failure
failed = "glue"              # glue, wood, shoulder, tenon, other
moisture_pct = 11.5
points_n = [250, 400, 550, 700, 850, 950]         # load and deflection at the load, for the stiffness
points_mm = [0.064, 0.101, 0.139, 0.177, 0.214, 0.240]
photo = "pot-3-1.jpg"
note = ""

[[piece]]
order = 2
broken = "2026-05-20"
arm_mm = 300
load_n = 2655
failed = "wood"
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """One glue-up. `clamps_urad_per_n_m`: turn of the clamps themselves; `doors` are from the same pot."""

    name: str
    made: str
    glued: bool
    glue: str
    pot: str
    species: str
    modulus_gpa: float
    moisture_at_glue_up_pct: float | None
    cure_days: float | None
    rail_depth_mm: float
    thickness_mm: float
    clamps_urad_per_n_m: float
    doors: tuple[str, ...]
    note: str
    joint: Joint


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceSeen:
    """One piece as it was seen to fail; `points` are load in N and deflection in mm."""

    order: int
    broken: str
    arm_mm: float
    load_n: float
    failed: str
    moisture_pct: float | None = None
    points: tuple[tuple[float, float], ...] = ()
    photo: str = ""
    note: str = ""


def read_pieces(text: str, *, where: str) -> tuple[Batch, tuple[PieceSeen, ...]]:
    """A glue-up and its broken pieces. Raises FileError with every complaint at once."""
    root = open_sheet(text, where)
    batch = _batch(root)
    pieces = [_piece(table) for table in root.tables("piece", least=1)]
    orders = [piece.order for piece in pieces]
    if len(set(orders)) < len(orders):
        root.complain("piece", "one order came twice, an order of its own is needed of each piece")
    root.close()
    if root.sheet.complaints:
        said = [sentence for _, sentence in sorted(root.sheet.complaints)]
        raise FileError(f"read {where}", "every key to be usable", said)
    return batch, tuple(sorted(pieces, key=lambda piece: piece.order))


def _batch(root: Table) -> Batch:
    table = root.table("batch")
    name = table.text("name")
    if name and not is_slug(name):
        table.complain("name", f"{name!r:.40} came, {SLUG_NEEDED} is needed")
    depth_mm, thickness_mm = table.number("rail_depth_mm", 40, 600), table.number("thickness_mm", 20, 150)
    stock = Stock(leaf_mm=thickness_mm, stile_mm=table.number("stile_mm", 40, 400), width_mm=2500)
    batch = Batch(
        name=name,
        made=_day(table, "made"),
        glued=table.flag("glued"),
        glue=table.text("glue", default="", longest=40),
        pot=table.text("pot", default="", longest=40),
        species=table.text("species", longest=40),
        modulus_gpa=table.number("modulus_gpa", 2, 30),
        moisture_at_glue_up_pct=table.maybe("moisture_at_glue_up_pct", 4, 25),
        cure_days=table.maybe("cure_days", 0, 10000),
        rail_depth_mm=depth_mm,
        thickness_mm=thickness_mm,
        clamps_urad_per_n_m=table.number("clamps_urad_per_n_m", 0, 1000, default=0),
        doors=_doors(table),
        note=table.text("note", default=""),
        joint=read_joint(root.table("joint"), depth_mm, stock),
    )
    table.close()
    return batch


def _piece(table: Table) -> PieceSeen:
    piece = PieceSeen(
        order=_order(table),
        broken=_day(table, "broken"),
        arm_mm=table.number("arm_mm", 20, 3000),
        load_n=table.number("load_n", 1, 200000),
        failed=table.choice("failed", PLACES),
        moisture_pct=table.maybe("moisture_pct", 2, 40),
        points=_points(table),
        photo=table.text("photo", default="", longest=80),
        note=table.text("note", default=""),
    )
    table.close()
    return piece


def _order(table: Table) -> int:
    order = table.number("order", 1, 10000)
    if isnan(order):
        return 0
    if not order.is_integer():
        table.complain("order", f"{order:g} came, a whole number is needed")
    return int(order)


def _points(table: Table) -> tuple[tuple[float, float], ...]:
    if not {"points_n", "points_mm"} & set(table.tree):
        return ()
    loads, deflections = table.numbers("points_n", 0, 200000), table.numbers("points_mm", 0, 500)
    if len(loads) != len(deflections):
        came = f"{len(loads)} loads and {len(deflections)} deflections came"
        table.complain("points_mm", f"{came}, as many of each are needed")
        return ()
    return tuple(zip(loads, deflections, strict=True))


def _doors(table: Table) -> tuple[str, ...]:
    names = [name.strip() for name in table.text("doors", default="").split(",") if name.strip()]
    for name in names:
        if not is_slug(name):
            table.complain("doors", f"{name!r:.40} came, names of doors with commas between are needed")
    return tuple(names)


def _day(table: Table, key: str) -> str:
    day = read_day(table, key)
    return "" if day == date.min else day.isoformat()
