"""A door that was changed: re-hung, planed, repaired, a gauge moved. A new version, nothing overwritten."""

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from sensors.message.names import base_name
from server.doors.built import METERED, BuiltDoor, Gauge
from server.doors.carried import with_open_turns
from server.doors.marks import add_mark
from server.doors.register import DoorHung, enrol_gauge, find_door, place_of, rebuild
from server.doors.tables import Channel
from server.doors.versions import HUNG, Version, as_of, keep_version
from server.errors import AlreadyThereError, OutOfRangeError, SettingsError

REHUNG, REPAIRED, PLANED, GAUGE_MOVED = "rehung", "repaired", "planed", "gauge-moved"
BECAUSE = (REHUNG, REPAIRED, PLANED, GAUGE_MOVED)
# A gauge and the one it replaces stand at one place, and are read together within so many days of the
# change. Conventions of this project.
ONE_PLACE_MM, OVERLAP_WITHIN_DAYS = 5.0, 14
NOTES = {
    REHUNG: "Re-hung: a new line is drawn; what had stayed before is carried on.",
    REPAIRED: "Repaired: a new line is drawn; what had stayed before is carried on.",
    PLANED: "Planed: a new line is drawn; what had stayed before is carried on.",
    GAUGE_MOVED: "Set anew: {gauges}. What had stayed before is carried on.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What was done to a door, on which day, and which gauges were set anew by hand besides."""

    because: str
    on: date
    gauges: tuple[str, ...] = ()
    by: str = "command"


def change_door(
    session: Session, hung: DoorHung, built: BuiltDoor, change: Change, *, now: datetime
) -> DoorHung:
    """Keep a new version of a door from that day on, and mark the day; its line is drawn anew after it.

    A second change of one day takes the first one's place; both rows stay. Raises SettingsError for a file or
    a gauge that is not of this door, OutOfRangeError for a day before the last change or still to come,
    AlreadyThereError for a channel that is another door's.
    """
    asked = f"change door {hung.ref}"
    from_ms = _moment_ms(hung, change, now, asked)
    # A change that is put right on its own day is judged against what stood before that day.
    before = as_of(tuple(one for one in hung.versions if one.from_ms < from_ms), from_ms).built
    built = with_open_turns(_same_door(hung, built, asked))[0]
    moved = _moved(before, built, change, asked)
    replaced = replaced_by(before, built)
    _check_replaced(before, built, replaced, asked)
    overlap_ends = datetime.fromtimestamp(from_ms / 1000, UTC) + timedelta(days=OVERLAP_WITHIN_DAYS)
    _match_channels(session, hung, (built, replaced), now=now, overlap_ends=overlap_ends)
    rebuild(session, hung.id, built)
    version = Version(from_ms=from_ms, because=change.because, built=built, moved=moved)
    keep_version(session, hung.id, version, now=now)
    text = NOTES[change.because].format(gauges=", ".join(moved))
    text += "".join(f" {new} replaces {old}." for new, old in replaced.items())
    add_mark(session, hung.id, t_ms=from_ms, kind=change.because, text=text, by=change.by)
    return find_door(session, hung.ref)


def set_anew(before: BuiltDoor, after: BuiltDoor) -> tuple[str, ...]:
    """The gauges of `after` that do not go on reading as they did: new ones, and those placed elsewhere."""
    stood = {gauge.channel: _place(gauge) for gauge in before.gauges}
    return tuple(one.channel for one in after.gauges if stood.get(one.channel) != _place(one))


def replaced_by(before: BuiltDoor, after: BuiltDoor) -> dict[str, str]:
    """Each gauge that is new in `after` and says which one it replaces, with that one."""
    stood = {gauge.channel for gauge in before.gauges}
    return {one.channel: one.replaces for one in after.gauges if one.replaces and one.channel not in stood}


def _check_replaced(before: BuiltDoor, after: BuiltDoor, replaced: dict[str, str], asked: str) -> None:
    """The two stand at one place, so that both read the same movement."""
    stood = {gauge.channel: gauge for gauge in before.gauges}
    new = {gauge.channel: gauge for gauge in after.gauges}
    for name, old in replaced.items():
        if old not in stood:
            needed = f"a gauge of the door before the change ({', '.join(stood)})"
            raise SettingsError(asked, needed, f"{name} replaces {old!r:.40}")
        if not _is_one_place(stood[old], new[name]):
            needed = f"{name} at the place of {old}, within {ONE_PLACE_MM:g} mm; else leave out `replaces`"
            raise SettingsError(asked, needed, f"{place_of(new[name])} for {place_of(stood[old])}")


def _is_one_place(old: Gauge, new: Gauge) -> bool:
    if (old.kind, old.joint, old.on, len(old.station_mm)) != (
        new.kind,
        new.joint,
        new.on,
        len(new.station_mm),
    ):
        return False
    apart = [abs(a - b) for a, b in zip(old.station_mm, new.station_mm, strict=True)]
    return max(apart, default=0.0) <= ONE_PLACE_MM


def _place(gauge: Gauge) -> tuple[object, ...]:
    return gauge.kind, gauge.station_mm, gauge.joint, gauge.unit, gauge.on


def _moment_ms(hung: DoorHung, change: Change, now: datetime, asked: str) -> int:
    if change.because not in BECAUSE:
        raise SettingsError(asked, f"one of {', '.join(BECAUSE)}", f"{change.because!r:.40}")
    noon = datetime.combine(change.on, time(12), tzinfo=UTC)
    last = hung.versions[-1]
    first_day = datetime.fromtimestamp(last.from_ms / 1000, UTC).date()
    if last.because == HUNG:
        first_day += timedelta(days=1)
    if change.on < first_day:
        what = "hung" if last.because == HUNG else f"last changed ({last.because})"
        raise OutOfRangeError(asked, f"{first_day} or later, after it was {what}", f"{change.on}")
    if noon > now + timedelta(days=1):
        raise OutOfRangeError(asked, "a day that has come", f"{change.on}")
    return round(noon.timestamp() * 1000)


def _same_door(hung: DoorHung, built: BuiltDoor, asked: str) -> BuiltDoor:
    mine, came = (hung.site, hung.built.node, hung.name), (built.site, built.node, built.name)
    if mine != came:
        needed = f"the file of this door, site, node and name as they are ({', '.join(mine)})"
        raise SettingsError(asked, needed, ", ".join(came))
    if built.hung.date() != hung.hung.date():
        needed = f"hung = the day it was first hung, {hung.hung:%Y-%m-%d}; the day of the change is --on"
        raise SettingsError(asked, needed, f"{built.hung:%Y-%m-%d}")
    units = {gauge.channel: gauge.unit for version in hung.versions for gauge in version.built.gauges}
    for gauge in built.gauges:
        if units.get(gauge.channel, gauge.unit) != gauge.unit:
            needed = f"{units[gauge.channel]}, the unit that {gauge.channel} sends, or another channel"
            raise SettingsError(asked, needed, gauge.unit)
    return replace(built, hung=hung.hung)


def _moved(before: BuiltDoor, after: BuiltDoor, change: Change, asked: str) -> tuple[str, ...]:
    names = [gauge.channel for gauge in after.gauges]
    unknown = [name for name in change.gauges if name not in names]
    if unknown:
        raise SettingsError(asked, f"gauges of the door ({', '.join(names)})", f"{unknown[0]!r:.40}")
    moved = {*set_anew(before, after), *change.gauges}
    if change.because == GAUGE_MOVED:
        # What was read or noted of the door may be put right beside it.
        noted = {name: getattr(after, name) for name in ("limits", "shown", "hung", *METERED)}
        bare = replace(before, gauges=(), **noted)
        if bare != replace(after, gauges=()):
            needed = "the same leaf and opening: say rehung, planed or repaired where they were touched"
            raise SettingsError(asked, needed, "a file in which more than gauges differs")
        if not moved and len(before.gauges) == len(after.gauges):
            needed = "the gauge that was moved: --gauge NAME, or another station in the file"
            raise SettingsError(asked, needed, "the gauges as they were")
    return tuple(name for name in names if name in moved)


def _match_channels(
    session: Session,
    hung: DoorHung,
    after: tuple[BuiltDoor, dict[str, str]],
    *,
    now: datetime,
    overlap_ends: datetime,
) -> None:
    """The channels of the door as it is now; one that is replaced is heard until the overlap ends."""
    built, replaced = after
    start = base_name(built.site, built.node)
    rows = session.scalars(select(Channel).where(Channel.node_id == hung.node_id)).all()
    there = {row.name: row for row in rows}
    wanted = {start + gauge.channel: gauge for gauge in built.gauges}
    for name, gauge in wanted.items():
        row = there.get(name)
        if row is None:
            enrol_gauge(session, hung.node_id, hung.id, (built, gauge), now=now)
        elif row.door_id not in (None, hung.id):
            raise AlreadyThereError(
                f"enrol channel {name:.80}", "a name of its own", "another door's channel"
            )
        else:
            row.door_id, row.until, row.quantity, row.place = hung.id, None, gauge.kind, place_of(gauge)
    heard_on = {start + old for old in replaced.values()}
    for row in rows:
        if row.door_id == hung.id and row.name not in wanted and row.until is None:
            row.until = max(now, overlap_ends) if row.name in heard_on else now
    session.flush()
