"""The check of a door: what it weighs and carries, what room it has, what is odd about it."""

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from server.cli.opened import opened, said_table
from server.config import Settings

if TYPE_CHECKING:
    from server.doors.built import BuiltDoor
    from server.doors.carried import Load
    from server.doors.file import DoorFile
    from server.doors.margins import Margin
    from server.doors.register import DoorHung


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """A door that is hung, looked over."""

    hung: "DoorHung"
    load: "Load"
    as_hung: "Margin"
    now: "Margin | None"
    warnings: tuple[str, ...]


def check_of(settings: Settings, ref: str) -> Check:
    """The check of a door of the register. Raises UnknownDoorError."""
    from server.clock import utc_now
    from server.database import session_of
    from server.doors.carpentry import warnings_of
    from server.doors.carried import load_of
    from server.doors.load_tests import load_tests_of, stiffness_told
    from server.doors.margins import margin_as_hung
    from server.doors.register import find_door
    from server.errors import HangtrueError
    from server.inspection.room import room_of

    with opened(settings) as engine, session_of(engine) as session:
        hung = find_door(session, ref)
        told = stiffness_told(load_tests_of(session, hung.id))
        now = room_of(session, hung, now=utc_now())
    try:
        warnings = warnings_of(hung.built)
    except HangtrueError as refusal:
        warnings = (str(refusal),)
    return Check(
        hung=hung,
        load=load_of(hung.built, told),
        as_hung=margin_as_hung(hung.built),
        now=now,
        warnings=warnings,
    )


def facts(found: Check) -> dict[str, object]:
    """The check as JSON has it."""
    from server.doors.built import droop_limit_mm

    built, load = found.hung.built, found.load
    return {
        "door": found.hung.ref,
        "weight": load.weight and asdict(load.weight),
        "stiffness": asdict(load.stiffness),
        "joints": [asdict(one) | {"open_mrad": _open_mrad(built, one.joint)} for one in load.joints.values()],
        "why_not": load.why_not,
        "droop_limit_mm": round(droop_limit_mm(built), 3),
        "margin_as_hung": asdict(found.as_hung),
        "margin_now": found.now and asdict(found.now),
        "meter": _meter_facts(built),
        "warnings": list(found.warnings),
    }


def facts_of_file(read: "DoorFile") -> dict[str, object]:
    """A file that can be used."""
    from server.doors.built import droop_limit_mm
    from server.doors.carried import load_of, with_open_turns
    from server.doors.margins import margin_as_hung

    built = with_open_turns(read.built)[0]
    load = load_of(built)
    return {
        "door": f"{built.site}/{built.name}",
        "gauges": len(built.gauges),
        "weight": load.weight and asdict(load.weight),
        "joints": [asdict(one) | {"open_mrad": _open_mrad(built, one.joint)} for one in load.joints.values()],
        "why_not": load.why_not,
        "droop_limit_mm": round(droop_limit_mm(built), 3),
        "margin_as_hung": asdict(margin_as_hung(built)),
        "meter": _meter_facts(built),
        "warnings": list(read.warnings),
    }


def lines_of_file(read: "DoorFile", where: str) -> list[str]:
    """The same in sentences; its warnings are said beside them."""
    from server.doors.carried import load_of, with_open_turns

    built = with_open_turns(read.built)[0]
    said = f"{where} can be used: {built.site}/{built.name}, {len(built.gauges)} gauges"
    return [said, *_load_lines(built, load_of(built)), *_room_lines(built), *_meter_lines(built)]


def lines(found: Check) -> list[str]:
    """The check in sentences."""
    built = found.hung.built
    said = [found.hung.ref, *_load_lines(built, found.load), *_room_lines(built)]
    now = "What room it has now is not known: its gauges do not tell it, or have not been heard."
    if found.now is not None:
        now = f"Over the last week it has {found.now.least_mm:.2f} mm, least {found.now.where}."
    return [*said, now, *_meter_lines(built), *(f"warning: {warning}" for warning in found.warnings)]


def _meter_lines(built: "BuiltDoor") -> list[str]:
    """What reading the leaf's moisture at hanging changes; none for a door that cannot be planned for."""
    from server.cli.carpentry import meter_lines
    from server.doors.kits import metered_of
    from server.errors import OutOfRangeError

    try:
        return meter_lines(metered_of(built))
    except OutOfRangeError:
        return []


def _meter_facts(built: "BuiltDoor") -> dict[str, object] | None:
    from server.doors.kits import metered_of
    from server.errors import OutOfRangeError

    try:
        return asdict(metered_of(built))
    except OutOfRangeError:
        return None


def _room_lines(built: "BuiltDoor") -> list[str]:
    from server.doors.built import droop_limit_mm
    from server.doors.margins import margin_as_hung

    hung = margin_as_hung(built)
    return [
        f"May droop {droop_limit_mm(built):.2f} mm from the hung line.",
        f"As hung it had {hung.least_mm:.2f} mm of room, least {hung.where}.",
    ]


def _load_lines(built: "BuiltDoor", load: "Load") -> list[str]:
    said = []
    if load.weight is not None:
        weight = load.weight
        said.append(
            f"It weighs {weight.mass_kg:.1f} kg; the top hinge is pulled by {weight.hinge_pull_n:.0f} N, "
            "the bottom one pushed by as much. How they share the weight is not settled."
        )
    if load.why_not:
        return [*said, f"What its joints carry is not reckoned: {load.why_not}."]
    rows = [
        [
            one.joint,
            f"{one.moment_n_m:.1f}",
            f"{one.low_n_m:.1f} to {one.high_n_m:.1f}",
            "" if one.turn_mrad is None else f"{one.turn_mrad:.3f}",
            f"{_open_mrad(built, one.joint):.3f}",
        ]
        for one in load.joints.values()
    ]
    head = ["joint", "carries N m", "range", "turned by it mrad", "open when grown by mrad"]
    stiffness = load.stiffness
    factor = "a factor each" if stiffness.f_k is None else f"factor {stiffness.f_k:.3g}"
    table = said_table(head, rows)
    return [*said, table, f"Stiffness of the joints: {factor}, from {stiffness.source}."]


def _open_mrad(built: "BuiltDoor", joint: str) -> float:
    from server.doors.built import turn_limit_mrad

    return turn_limit_mrad(built, joint)
