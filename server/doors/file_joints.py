"""Joints in the door's file: each kind's dimensions, and what cannot be built."""

import re
from dataclasses import dataclass
from itertools import pairwise

from server.doors.built import KINDS_OF_JOINT, STIFFNESS_FACTOR, Joint, LooseTenon
from server.doors.toml_table import Table

THICKEST_OF_LEAF = 0.6
WIDEST_SINGLE_MM = 100.0
DAMPEST_PCT = 20.0
# Words by which makers call glues that set as their water leaves.
WATER_BASED = frozenset(
    ("pva", "pvac", "white", "yellow", "aliphatic", "hide", "casein", "urea", "uf", "water", "polyvinyl")
)
WORD = re.compile(r"[a-z]+")
NO_SOURCE = "common practice, no source"
Dimensions = dict[str, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """What a joint has to fit into: thickness of the leaf, width of a stile, width of the leaf.

    `moisture_pct` of its wood at glue-up; None: not known.
    """

    leaf_mm: float
    stile_mm: float
    width_mm: float
    moisture_pct: float | None = None


def read_joint(table: Table, rail_depth_mm: float, stock: Stock) -> Joint:
    """The joint of one end of a rail; what is wrong with it is kept in the table's sheet."""
    kind = table.choice("kind", KINDS_OF_JOINT) if table.tree else ""
    readers = {"mortise_tenon": _mortise_tenon, "stub_loose": _stub_loose, "dowels": _dowels, "given": _given}
    if kind not in readers:
        return Joint(kind=kind)
    dimensions = readers[kind](table, rail_depth_mm, stock)
    joint = Joint(
        kind=kind,
        stiffness_factor=table.number("stiffness_factor", 0.05, 1, default=STIFFNESS_FACTOR),
        stiffness_factor_sd=table.maybe("stiffness_factor_sd", 0, 5),
        adhesive=table.text("adhesive", default="", longest=40),
        batch=table.text("batch", default="", longest=40),
        glue_date=table.text("glue_date", default="", longest=40),
        moisture_pct=table.maybe("moisture_pct", 4, 40),
        open_min=table.maybe("open_min", 0, 600),
        cure_h=table.maybe("cure_h", 0, 2000),
        note=table.text("note", default=""),
        **dimensions,  # type: ignore[arg-type]  # each reader gives fields of Joint
    )
    damp_pct = joint.moisture_pct if joint.moisture_pct is not None else stock.moisture_pct
    if (warning := glue_warning(joint.adhesive, damp_pct)) is not None:
        table.warn("adhesive", warning)
    table.close()
    return joint


def glue_warning(adhesive: str, moisture_pct: float | None) -> str | None:
    """What is to be warned of in a glue on wood so damp; None where nothing is, or its dampness not known."""
    words = set(WORD.findall(adhesive.casefold()))
    if moisture_pct is None or not moisture_pct > DAMPEST_PCT or not words & WATER_BASED:
        return None
    on_damp = f"{adhesive}, a water-based glue, on wood of {moisture_pct:g} % moisture"
    return f"{on_damp}: above {DAMPEST_PCT:g} % it is usually left to dry first ({NO_SOURCE})"


def _mortise_tenon(table: Table, rail_depth_mm: float, stock: Stock) -> Dimensions:
    tenon = _tenon(table, "", rail_depth_mm, stock)
    if tenon["width_mm"] > WIDEST_SINGLE_MM:
        habit = f"above 100 mm it is usually split in two ({NO_SOURCE})"
        table.warn("width_mm", f"a single tenon {tenon['width_mm']:g} mm wide: {habit}")
    return dict(tenon)


def _stub_loose(table: Table, rail_depth_mm: float, stock: Stock) -> Dimensions:
    stub = _tenon(table, "stub_", rail_depth_mm, stock)
    at_mm = table.numbers("loose_at_mm", -300, 300)
    width_mm = table.number("loose_width_mm", 5, 300)
    thickness_mm = table.number("loose_thickness_mm", 3, 100)
    depth_mm = table.number("loose_depth_mm", 5, 400)
    _fits_stile(table, "loose_depth_mm", depth_mm, stock)
    _fits_leaf(table, "loose_thickness_mm", thickness_mm, stock)
    _fits_rail(table, "loose_at_mm", (at_mm, width_mm), rail_depth_mm)
    loose = _row(at_mm, (width_mm, depth_mm, thickness_mm))
    return {**stub, "stub_glued": table.flag("stub_glued", default=False), "loose": loose}


def _dowels(table: Table, rail_depth_mm: float, stock: Stock) -> Dimensions:
    at_mm = table.numbers("dowel_at_mm", -300, 300)
    diameter_mm = table.number("dowel_diameter_mm", 3, 60)
    depth_mm = table.number("dowel_depth_mm", 5, 400)
    _fits_stile(table, "dowel_depth_mm", depth_mm, stock)
    _fits_leaf(table, "dowel_diameter_mm", diameter_mm, stock)
    _fits_rail(table, "dowel_at_mm", (at_mm, diameter_mm), rail_depth_mm)
    return {"loose": _row(at_mm, (diameter_mm, depth_mm, diameter_mm))}


def _given(table: Table, _rail_depth_mm: float, _stock: Stock) -> Dimensions:
    return {"stiffness_kn_m_per_rad": table.number("stiffness_kn_m_per_rad", 0.1, 100000)}


def _tenon(table: Table, prefix: str, rail_depth_mm: float, stock: Stock) -> dict[str, float]:
    keys = {"width_mm": (5, 600), "depth_mm": (5, 400), "thickness_mm": (3, 100)}
    tenon = {key: table.number(prefix + key, *bounds) for key, bounds in keys.items()}
    _fits_stile(table, f"{prefix}depth_mm", tenon["depth_mm"], stock)
    _fits_leaf(table, f"{prefix}thickness_mm", tenon["thickness_mm"], stock)
    _fits_rail(table, f"{prefix}width_mm", ((0.0,), tenon["width_mm"]), rail_depth_mm)
    return tenon


def _row(at_mm: tuple[float, ...], size_mm: tuple[float, float, float]) -> tuple[LooseTenon, ...]:
    width_mm, depth_mm, thickness_mm = size_mm
    return tuple(
        LooseTenon(at_mm=one, width_mm=width_mm, depth_mm=depth_mm, thickness_mm=thickness_mm)
        for one in sorted(at_mm)
    )


def _fits_stile(table: Table, key: str, depth_mm: float, stock: Stock) -> None:
    if depth_mm > stock.stile_mm:
        table.complain(key, f"{depth_mm:g} came, no deeper than the stile is needed ({stock.stile_mm:g} mm)")


def _fits_leaf(table: Table, key: str, thickness_mm: float, stock: Stock) -> None:
    most_mm = THICKEST_OF_LEAF * stock.leaf_mm
    if thickness_mm > most_mm:
        table.complain(
            key, f"{thickness_mm:g} came, at most 0.6 of the leaf's thickness is needed ({most_mm:g} mm)"
        )


def _fits_rail(table: Table, key: str, row: tuple[tuple[float, ...], float], rail_depth_mm: float) -> None:
    at_mm, width_mm = sorted(row[0]), row[1]
    if any(abs(one) + width_mm / 2 > rail_depth_mm / 2 for one in at_mm):
        table.complain(
            key, f"a face outside the rail came, all within its depth is needed ({rail_depth_mm:g} mm)"
        )
    if any(after - before < width_mm for before, after in pairwise(at_mm)):
        table.complain(
            key, f"overlapping places came, at least {width_mm:g} mm from one to the next is needed"
        )
