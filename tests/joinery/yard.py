"""The two invented doors and the published cases, as values of this floor."""

import json
from pathlib import Path
from typing import Any

from server.joinery.build import Extra, Hinge, Leaf, Panel, Rail
from server.joinery.joints import Dowels, Joint, MortiseTenon, StubLoose, Tenon
from server.joinery.leaf import Shape, Station

PUBLISHED = Path(__file__).parents[1] / "published"
DOORS: dict[str, Any] = json.loads((PUBLISHED / "doors.json").read_text("utf-8"))["doors"]


def cases(name: str) -> dict[str, dict[str, Any]]:
    """Published cases by id."""
    return {case["id"]: case for case in json.loads((PUBLISHED / f"{name}.json").read_text("utf-8"))["cases"]}


def joint(given: dict[str, Any]) -> Joint:
    """A joint in the words of the published cases."""
    if given["kind"] == "dowels":
        return Dowels(y_m=tuple(given["y"]), diameter_m=given["dia"], depth_m=given["l"])
    tenon = Tenon(width_m=given["w"], depth_m=given["l"], thickness_m=given["t"])
    if given["kind"] == "mortise_tenon":
        return MortiseTenon(tenon=tenon)
    loose = tuple(
        Tenon(width_m=given["lw"], depth_m=given["ll"], thickness_m=given["lt"], y_m=y)
        for y in given["loose_y"]
    )
    return StubLoose(stub=tenon, loose=loose, stub_glued=given["stub_glued"])


def leaf(name: str) -> Leaf:
    """The leaf of `north` or `south`."""
    door = DOORS[name]
    rails = tuple(
        Rail(
            name=rail["name"],
            y_m=rail["y"],
            depth_m=rail["d"],
            joint_hinge=joint(rail["joint"]),
            joint_latch=joint(rail["joint"]),
        )
        for rail in door["rails"]
    )
    panel = Panel(thickness_m=door["panel"]["t"], groove_m=door["panel"]["groove"])
    return Leaf(
        width_m=door["b"],
        height_m=door["h"],
        thickness_m=door["t"],
        stile_m=door["ws"],
        density_kg_m3=door["rho"],
        modulus_pa=door["E"],
        rails=rails,
        panels=(panel,) * (len(rails) - 1),
        extras=tuple(Extra(name=e["n"], mass_kg=e["m"], x_m=e["x"], y_m=e["y"]) for e in door["extra"]),
        hinges=tuple(Hinge(y_m=y, bears=y == door["bearing_hinge"]) for y in door["hinges_y"]),
        g_over_e=door["G_over_E"],
        e90_over_e=door["E90_over_E"],
    )


FILE: dict[str, Any] = json.loads((PUBLISHED / "joinery.json").read_text("utf-8"))
GAPS = FILE["geometry_demo"]
SHAPE = Shape(
    width_mm=GAPS["b"],
    height_mm=GAPS["h"],
    stile_mm=GAPS["ws"],
    gap_hinge_mm=GAPS["g_hinge"],
    gap_head_mm=GAPS["g_head"],
    gap_latch_mm=GAPS["g_latch"],
    gap_sill_mm=GAPS["g_sill"],
    reference_mm=GAPS["y_H"],
)
STATIONS = {
    gauge["id"]: Station(
        kind=gauge["kind"], at_mm=tuple(gauge[key] for key in gauge if key not in ("id", "kind"))
    )
    for gauge in FILE["sensors"]
    if gauge["kind"] != "tilt"
}
TILTS = {
    gauge["id"]: Station(kind="tilt", on=gauge["on"], sd_mm=FILE["sensor_sd"]["tilt"])
    for gauge in FILE["sensors"]
    if gauge["kind"] == "tilt"
}
