"""A joint that is not built yet, from a file of its own, and two of them side by side."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from server.doors.built import BuiltDoor, Joint
from server.doors.carpentry import joint_of, leaf_of, species_key
from server.doors.file_joints import Stock, read_joint
from server.doors.toml_table import Table, open_sheet
from server.errors import FileError, OutOfRangeError
from server.joinery import build
from server.joinery.joints import check_joint
from server.joinery.reckoner import InDoors, Row, Season, Side, reckon
from server.timber.movement import coefficient
from server.timber.species import find_species

USUAL_CHANGE_PCT = -4.0
EXAMPLE = """\
# One joint, not built yet; sizes in mm.
shown = "one deep tenon"
rail_depth_mm = 200
thickness_mm = 54            # of the leaf
stile_mm = 120
species = "sapele"
# modulus_gpa = 11.72        # along the grain, where you know it better than the tables
# stiffness_factor_source = "load test of north, 2 May 2026"

[joint]                      # as in the door's file: mortise_tenon, stub_loose, dowels, given
kind = "mortise_tenon"
width_mm = 160
depth_mm = 90
thickness_mm = 18
# stiffness_factor = 0.13    # the usual one is 0.2; unlike ones need a source each
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class JointFile:
    """A joint with the rail, stile and timber it is meant for; `warnings` are for a person."""

    shown: str
    joint: Joint
    rail_depth_mm: float
    thickness_mm: float
    stile_mm: float
    species: str
    modulus_gpa: float | None
    factor_source: str
    warnings: tuple[str, ...]


def read_joint_file(text: str, *, where: str) -> JointFile:
    """The joint of a TOML text. Raises FileError with every complaint, OutOfRangeError for none to build."""
    root = open_sheet(text, where)
    read = _read(root)
    root.close()
    if root.sheet.complaints:
        said = [sentence for _, sentence in sorted(root.sheet.complaints)]
        raise FileError(f"read {where}", "every key to be usable", said)
    warnings = check_joint(
        joint_of(read.joint),
        rail_depth_m=read.rail_depth_mm / 1000,
        stile_m=read.stile_mm / 1000,
        thickness_m=read.thickness_mm / 1000,
    )
    return replace(read, warnings=warnings)


def side_by_side(
    a: JointFile, b: JointFile, *, moisture_change_pct: float = USUAL_CHANGE_PCT
) -> tuple[Row, ...]:
    """What the sizes of two joints of one leaf say; no total, no rank.

    Raises OutOfRangeError for leaves or timbers that differ, or unlike factors without a source, and
    UnknownSpeciesError or MissingPropertyError for a timber without figures.
    """
    return reckon(_side(a), _side(b), _one_leaf(a, b), season=_season(a, moisture_change_pct))


def side_by_side_in(
    a: JointFile,
    b: JointFile,
    built: BuiltDoor,
    *,
    place: str,
    moisture_change_pct: float = USUAL_CHANGE_PCT,
) -> tuple[Row, ...]:
    """The same, with what each would carry at that joint of a door, if both ends of its rail were made so.

    Raises OutOfRangeError for a joint that is not there, and what `side_by_side` and `leaf_of` raise.
    """
    _one_leaf(a, b)
    doors = InDoors(leaf_a=_made_so(a, built, place), leaf_b=_made_so(b, built, place), place=place)
    return reckon(_side(a), _side(b), doors.leaf_a, season=_season(a, moisture_change_pct), doors=doors)


def _read(root: Table) -> JointFile:
    depth_mm, thickness_mm = root.number("rail_depth_mm", 40, 600), root.number("thickness_mm", 20, 150)
    stock = Stock(leaf_mm=thickness_mm, stile_mm=root.number("stile_mm", 40, 400), width_mm=2500)
    return JointFile(
        shown=root.text("shown", longest=40),
        joint=read_joint(root.table("joint"), depth_mm, stock),
        rail_depth_mm=depth_mm,
        thickness_mm=thickness_mm,
        stile_mm=stock.stile_mm,
        species=root.text("species", longest=40),
        modulus_gpa=root.maybe("modulus_gpa", 2, 30),
        factor_source=root.text("stiffness_factor_source", default=""),
        warnings=(),
    )


def _side(one: JointFile) -> Side:
    return Side(
        shown=one.shown,
        joint=joint_of(one.joint),
        rail_depth_m=one.rail_depth_mm / 1000,
        f_k=one.joint.stiffness_factor,
        f_k_source=one.factor_source,
    )


def _season(one: JointFile, change_pct: float) -> Season:
    wood = find_species(species_key(one.species))
    across = [coefficient(wood, direction).number for direction in ("radial", "tangential")]
    return Season(d_mc_pct=change_pct, c_per_pct=sum(across) / 2)


def _one_leaf(a: JointFile, b: JointFile) -> build.Leaf:
    for name in ("thickness_mm", "species", "modulus_gpa"):
        mine, theirs = getattr(a, name), getattr(b, name)
        if mine != theirs:
            raise OutOfRangeError(
                "two joints side by side", f"one leaf for both, {name}", f"{mine} and {theirs}"
            )
    modulus_pa = (a.modulus_gpa or 0) * 1e9
    if a.modulus_gpa is None:
        modulus_pa = find_species(species_key(a.species)).value("moe_12_mpa").number * 1e6
    return build.Leaf(
        width_m=1.0,
        height_m=2.0,
        thickness_m=a.thickness_mm / 1000,
        stile_m=a.stile_mm / 1000,
        density_kg_m3=1.0,
        modulus_pa=modulus_pa,
        rails=(),
        panels=(),
        extras=(),
        hinges=(),
    )


def _made_so(one: JointFile, built: BuiltDoor, place: str) -> build.Leaf:
    names: Sequence[str] = [rail.name for rail in built.rails]
    mine = place.rpartition("-")[0]
    if mine not in names or place.rpartition("-")[2] not in ("hinge", "latch"):
        known = ", ".join(f"{name}-{end}" for name in names for end in ("hinge", "latch"))
        raise OutOfRangeError("joint of a door", f"one of {known}", f"{place!r:.40}")
    _check_fits(one, built, mine)
    rails = tuple(
        replace(rail, joint_hinge=one.joint, joint_latch=one.joint) if rail.name == mine else rail
        for rail in built.rails
    )
    return leaf_of(replace(built, rails=rails))


def _check_fits(one: JointFile, built: BuiltDoor, rail: str) -> None:
    depth_mm = next(own.depth_mm for own in built.rails if own.name == rail)
    wanted = {"rail_depth_mm": depth_mm, "thickness_mm": built.thickness_mm, "stile_mm": built.stile_mm}
    for name, needed_mm in wanted.items():
        if getattr(one, name) != needed_mm:
            came = f"{getattr(one, name):g} mm"
            raise OutOfRangeError(
                f"{one.shown} in {built.name}", f"{name} of its {rail} rail, {needed_mm:g} mm", came
            )
