"""Gauges in the door's file: where each stands, what it sends, and whether they make a kit."""

import json
from collections.abc import Iterable
from pathlib import Path

from sensors.message.names import MAX_NODE_NAME, is_wire_name
from sensors.message.units import LIMITS, SECONDARY
from server.doors.built import GAUGE_KINDS, STATIONS, TILTED, Gauge, Rail
from server.doors.toml_table import Table

GAP_SD_MM, SHOULDER_SD_MM = 0.03, 0.0036
GAP_DRIFT_MM_PER_YEAR, SHOULDER_DRIFT_MM_PER_YEAR = 0.003, 0.001
# A tilt as it is mounted, over a year. Source: the default of joinery, a convention of this project.
TILT_SD_MRAD, TILT_DRIFT_MRAD_PER_YEAR = 0.5, 0.5
UNITS = {
    "tilt": ("rad",),
    "air_temp": ("Cel",),
    "air_rh": ("%RH",),
    "shut": ("/",),
    "ref": ("/",),
    "battery": ("V",),
    "openings": ("count",),
    "slam": ("m/s2",),
}
DISTANCE_UNITS = ("/", "m", "Ohm", "V")
ONCE = ("air_temp", "air_rh", "shut", "ref", "battery", "droop", "openings", "slam")
Rows = list[tuple[Table, Gauge]]


def read_gauges(
    root: Table, *, width_mm: float, height_mm: float, rails: tuple[Rail, ...]
) -> tuple[Gauge, ...]:
    """The gauges of a door; what is wrong with them is kept in the root's sheet."""
    joints = {f"{rail.name}-{end}": rail for rail in rails for end in ("hinge", "latch")}
    rows = [(table, _gauge(table)) for table in root.tables("gauge")]
    for table, gauge in rows:
        _check_unit(table, gauge)
        _check_station(table, gauge, _spans(gauge, (width_mm, height_mm), joints))
        _check_joint(table, gauge, joints)
        table.close()
    _check_once(rows)
    _check_replaced(rows)
    _check_pairs(rows)
    _check_calibrations(root, rows)
    return tuple(gauge for _, gauge in rows)


def _gauge(table: Table) -> Gauge:
    kind = table.choice("kind", GAUGE_KINDS)
    if not kind:
        table.keys()  # which keys belong to it is not known: one complaint is enough
    if kind == "tilt":
        return _tilt(table)
    is_shoulder = kind == "shoulder"
    return Gauge(
        channel=_channel(table),
        kind=kind,
        unit=table.text("unit", longest=10),
        station_mm=table.numbers("station_mm", -4000, 4000) if kind in STATIONS else (),
        joint=table.text("joint") if is_shoulder else None,
        calibration=table.text("calibration") if "calibration" in table.tree else None,
        sd_mm=table.number("sd_mm", 0.0001, 5, default=SHOULDER_SD_MM if is_shoulder else GAP_SD_MM),
        drift_mm_per_year=table.number(
            "drift_mm_per_year",
            0,
            5,
            default=SHOULDER_DRIFT_MM_PER_YEAR if is_shoulder else GAP_DRIFT_MM_PER_YEAR,
        ),
        replaces=_replaced(table),
    )


def _tilt(table: Table) -> Gauge:
    return Gauge(
        channel=_channel(table),
        kind="tilt",
        unit=table.text("unit", longest=10),
        on=table.choice("on", TILTED),
        calibration=table.text("calibration") if "calibration" in table.tree else None,
        sd_mm=table.number("sd_mrad", 0.01, 20, default=TILT_SD_MRAD) / 1000,
        drift_mm_per_year=table.number("drift_mrad_per_year", 0, 20, default=TILT_DRIFT_MRAD_PER_YEAR) / 1000,
        replaces=_replaced(table),
    )


def _replaced(table: Table) -> str | None:
    return table.text("replaces") if "replaces" in table.tree else None


def _channel(table: Table) -> str:
    name = table.text("channel")
    if name and (not is_wire_name(name) or len(name) > MAX_NODE_NAME):
        table.complain(
            "channel", f"{name!r:.40} came, up to {MAX_NODE_NAME} of A-Z a-z 0-9 - : . / _ are needed"
        )
    return name


def _check_unit(table: Table, gauge: Gauge) -> None:
    if gauge.unit in SECONDARY:
        primary = SECONDARY[gauge.unit][0]
        table.complain("unit", f"{gauge.unit!r} came, the unit it is kept in is needed: {primary}")
    elif gauge.unit and gauge.kind:
        known = UNITS.get(gauge.kind, DISTANCE_UNITS)
        if gauge.unit not in LIMITS or gauge.unit not in known:
            table.complain("unit", f"{gauge.unit!r:.40} came, one of {', '.join(known)} is needed")


def _spans(gauge: Gauge, leaf_mm: tuple[float, float], joints: dict[str, Rail]) -> list[tuple[float, float]]:
    across, up = (0.0, leaf_mm[0]), (0.0, leaf_mm[1])
    if gauge.kind == "shoulder":
        half_mm = joints[gauge.joint or ""].depth_mm / 2 if gauge.joint in joints else 300.0
        return [(-half_mm, half_mm)]
    return {"diag": [across, up, across, up], "head": [across], "sill": [across]}.get(gauge.kind, [up])


def _check_station(table: Table, gauge: Gauge, spans: list[tuple[float, float]]) -> None:
    if gauge.kind not in STATIONS or not gauge.station_mm:
        return
    if len(gauge.station_mm) != len(spans):
        came = f"{len(gauge.station_mm)} numbers came"
        table.complain("station_mm", f"{came}, {len(spans)} are needed for a gauge of kind {gauge.kind}")
        return
    for place_mm, (low_mm, high_mm) in zip(gauge.station_mm, spans, strict=True):
        if place_mm < low_mm or place_mm > high_mm:
            what = "the rail" if gauge.kind == "shoulder" else "the leaf"
            needed = f"a place on {what} is needed ({low_mm:g} to {high_mm:g} mm)"
            table.complain("station_mm", f"{place_mm:g} came, {needed}")


def _check_joint(table: Table, gauge: Gauge, joints: dict[str, Rail]) -> None:
    if gauge.kind == "shoulder" and gauge.joint and gauge.joint not in joints:
        table.complain("joint", f"{gauge.joint!r:.40} came, one of {', '.join(joints)} is needed")


def _check_once(rows: Rows) -> None:
    channels: set[str] = set()
    kinds: set[str] = set()
    for table, gauge in rows:
        if gauge.channel and gauge.channel in channels:
            table.complain("channel", f"{gauge.channel!r:.40} came twice, a channel of its own is needed")
        if gauge.kind in ONCE and gauge.kind in kinds:
            table.complain("kind", f"a second {gauge.kind} came, one a door is needed")
        channels.add(gauge.channel)
        kinds.add(gauge.kind)


def _check_replaced(rows: Rows) -> None:
    """A gauge that is replaced is off the door as it is now: its channel goes on beside the new one's."""
    channels, taken = {gauge.channel for _, gauge in rows}, set[str]()
    for table, gauge in rows:
        if gauge.replaces in channels:
            needed = "a gauge that this file has no more is needed"
            table.complain("replaces", f"{gauge.replaces!r:.40} came, {needed}")
        elif gauge.replaces in taken:
            table.complain("replaces", f"{gauge.replaces!r:.40} came twice, one new gauge for each is needed")
        if gauge.replaces:
            taken.add(gauge.replaces)


def _check_pairs(rows: Rows) -> None:
    joints: dict[str, Rows] = {}
    for table, gauge in rows:
        if gauge.kind == "shoulder" and gauge.joint and len(gauge.station_mm) == 1:
            joints.setdefault(gauge.joint, []).append((table, gauge))
    for joint, pair in joints.items():
        above = sum(gauge.station_mm[0] > 0 for _, gauge in pair)
        below = sum(gauge.station_mm[0] < 0 for _, gauge in pair)
        if (above, below, len(pair)) != (1, 1, 2):
            came = f"{above} above and {below} below the axis of {joint} came"
            pair[0][0].complain("station_mm", f"{came}, one above and one below are needed")


def _check_calibrations(root: Table, rows: Rows) -> None:
    door = root.tree.get("door")
    site_node = f"{door.get('site')}/{door.get('node')}/" if isinstance(door, dict) else ""
    folder = Path(root.sheet.where).parent
    held: dict[str, set[str] | str] = {}
    for table, gauge in rows:
        if gauge.calibration:
            if gauge.calibration not in held:
                held[gauge.calibration] = _channels_in(folder / gauge.calibration)
            _check_held(table, gauge, held[gauge.calibration], site_node)
    waiting = [gauge.channel for _, gauge in rows if _is_distance(gauge) and gauge.calibration is None]
    if waiting:
        what = "what they send is kept, and is in mm once a calibration is added"
        rows[0][0].warn("calibration", f"none yet for {', '.join(waiting)}: {what}")


def _is_distance(gauge: Gauge) -> bool:
    return gauge.unit != "m" and (gauge.kind in STATIONS or gauge.kind == "droop")


def _check_held(table: Table, gauge: Gauge, held: set[str] | str, site_node: str) -> None:
    if isinstance(held, str):
        table.complain("calibration", f"{gauge.calibration!r:.40} came, {held}")
    elif not {gauge.channel, site_node + gauge.channel} & held:
        needed = f"a file with a record for {site_node}{gauge.channel} is needed"
        table.complain("calibration", f"{gauge.calibration!r:.40} came, {needed}")


def _channels_in(path: Path) -> set[str] | str:
    try:
        tree = json.loads(path.read_text("utf-8"))
    except OSError:
        return "a file beside the door's is needed"
    except ValueError:
        return "a file of calibration records in JSON is needed"
    records: Iterable[object] = tree if isinstance(tree, list) else [tree]
    return {str(record.get("channel")) for record in records if isinstance(record, dict)}
