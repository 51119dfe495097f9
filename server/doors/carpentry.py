"""A door as built in the plain values of joinery: its leaf with its joints, its opening, its gauges."""

import math

from server.doors.built import BuiltDoor, Joint, joints_of, reference_height_mm
from server.doors.file_joints import glue_warning
from server.errors import HangtrueError
from server.joinery import build, joints
from server.joinery.leaf import POSITION_KINDS, Shape, Station
from server.timber.species import find_species

MM = 1000.0


def leaf_of(built: BuiltDoor) -> build.Leaf:
    """The leaf with its joints, panels, weights and hinges.

    Raises MissingPropertyError or UnknownSpeciesError where its timber's stiffness is not known,
    OutOfRangeError for a leaf that the frame has no model of, such as one without a panel between two rails.
    """
    return _checked(built, modulus_pa(built))


def weighable_leaf(built: BuiltDoor) -> build.Leaf:
    """The leaf as far as its weight goes, for which no stiffness is needed. Raises OutOfRangeError."""
    return _checked(built, 1.0)


def modulus_pa(built: BuiltDoor) -> float:
    """Stiffness along the grain: the door's own figure, else its timber's.

    Raises UnknownSpeciesError or MissingPropertyError where neither is known.
    """
    if built.modulus_gpa is not None:
        return built.modulus_gpa * 1e9
    return find_species(species_key(built.species)).value("moe_12_mpa").number * 1e6


def species_key(species: str) -> str:
    """The key of a timber in the tables: `Black walnut` gives `black-walnut`."""
    return "-".join(species.casefold().split())


def warnings_of(built: BuiltDoor) -> tuple[str, ...]:
    """What is odd in a door that can be built. Raises OutOfRangeError for one that cannot."""
    opening = built.opening
    gaps_mm = {
        "hinge edge": opening.gap_hinge_mm,
        "head": opening.gap_head_mm,
        "latch edge": opening.gap_latch_mm,
        "sill": opening.gap_sill_mm,
    }
    glue = [
        f"{name}: {said}"
        for name, joint in joints_of(built).items()
        if (said := glue_warning(joint.adhesive, joint_moisture_pct(built, joint))) is not None
    ]
    return (*build.check_leaf(weighable_leaf(built), gaps_mm=gaps_mm), *glue)


def joint_moisture_pct(built: BuiltDoor, joint: Joint) -> float:
    """Moisture of a joint's wood when it was glued: its own, else the door's."""
    return built.moisture_at_glue_up_pct if joint.moisture_pct is None else joint.moisture_pct


def joint_of(joint: Joint) -> joints.Joint:
    """A rail's end as a group of glue faces, or as the stiffness that was given."""
    if joint.kind == "given":
        return joints.Given(stiffness_n_m_per_rad=1000 * (joint.stiffness_kn_m_per_rad or math.nan))
    loose = tuple(
        joints.Tenon(
            width_m=one.width_mm / MM,
            depth_m=one.depth_mm / MM,
            thickness_m=one.thickness_mm / MM,
            y_m=one.at_mm / MM,
        )
        for one in joint.loose
    )
    if joint.kind == "dowels":
        first = loose[0]
        return joints.Dowels(
            y_m=tuple(one.y_m for one in loose), diameter_m=first.width_m, depth_m=first.depth_m
        )
    tenon = joints.Tenon(
        width_m=(joint.width_mm or math.nan) / MM,
        depth_m=(joint.depth_mm or math.nan) / MM,
        thickness_m=(joint.thickness_mm or math.nan) / MM,
    )
    if joint.kind == "mortise_tenon":
        return joints.MortiseTenon(tenon=tenon)
    return joints.StubLoose(stub=tenon, loose=loose, stub_glued=joint.stub_glued)


def factors_of(built: BuiltDoor) -> dict[str, float]:
    """The stiffness factor of each joint that has one; a joint of given stiffness has none."""
    return {name: one.stiffness_factor for name, one in joints_of(built).items() if one.kind != "given"}


def shape_of(built: BuiltDoor) -> Shape:
    """The leaf in its opening as hung."""
    return Shape(
        width_mm=built.width_mm,
        height_mm=built.height_mm,
        stile_mm=built.stile_mm,
        gap_hinge_mm=built.opening.gap_hinge_mm,
        gap_head_mm=built.opening.gap_head_mm,
        gap_latch_mm=built.opening.gap_latch_mm,
        gap_sill_mm=built.opening.gap_sill_mm,
        reference_mm=reference_height_mm(built),
    )


def stations_of(built: BuiltDoor) -> dict[str, Station]:
    """The gauges that tell where the leaf is, by channel; shoulder gauges and air are not among them."""
    return {
        gauge.channel: Station(
            kind=gauge.kind,
            at_mm=gauge.station_mm,
            sd_mm=gauge.sd_mm,
            drift_mm_per_year=gauge.drift_mm_per_year,
            on=gauge.on or "",
        )
        for gauge in built.gauges
        if gauge.kind in POSITION_KINDS
    }


def why_not(refusal: HangtrueError) -> str:
    """A refusal as the end of a sentence: what is needed, and what came."""
    return f"it needs {refusal.needed}, and {refusal.came} came"


def _checked(built: BuiltDoor, stiffness_pa: float) -> build.Leaf:
    made = build.Leaf(
        width_m=built.width_mm / MM,
        height_m=built.height_mm / MM,
        thickness_m=built.thickness_mm / MM,
        stile_m=built.stile_mm / MM,
        density_kg_m3=built.density_kg_m3,
        modulus_pa=stiffness_pa,
        rails=tuple(
            build.Rail(
                name=rail.name,
                y_m=rail.axis_mm / MM,
                depth_m=rail.depth_mm / MM,
                joint_hinge=joint_of(rail.joint_hinge),
                joint_latch=joint_of(rail.joint_latch),
            )
            for rail in built.rails
        ),
        panels=tuple(
            build.Panel(
                thickness_m=panel.thickness_mm / MM, groove_m=panel.groove_mm / MM, floats=panel.floats
            )
            for panel in built.panels
        ),
        extras=tuple(
            build.Extra(name=one.name, mass_kg=one.mass_kg, x_m=one.x_mm / MM, y_m=one.y_mm / MM)
            for one in built.extras
        ),
        hinges=tuple(build.Hinge(y_m=hinge.y_mm / MM, bears=hinge.bears) for hinge in built.hinges),
    )
    build.check_leaf(made)
    return made
