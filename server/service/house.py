"""The house looked at: boxes, packs held back, certificates, disk, back-up, intake. What is read of them."""

import shutil
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from server.auth.certificates import end_of
from server.backup.manifest import check_bytes
from server.backup.manifest import read as read_manifest
from server.backup.refusals import BackupError
from server.backup.retention import back_ups
from server.config import Settings
from server.doors.marks import marks_of
from server.doors.register import DoorHung, list_doors
from server.doors.tables import Node, Site
from server.errors import HangtrueError
from server.inspection.values import Finding
from server.intake.secrets import changes
from server.readings.tables import ClockFix, Instant, Journal, Quarantine, RollupDay
from server.service.house_found import DAY_MS, BackUp, Box, Held, House, box_findings, present_findings
from server.service.rotations import is_taken

MIB = 2**20
ASKED = "look at the back-ups"
BATTERY_DAYS, RECENT_MS = 3, 2 * DAY_MS
# Instants of two days at one in ten minutes: the newest of a journal, by its key, not the whole of it.
NEWEST = 288
CLOCK_NONE = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseFacts:
    """What a look at a site's house is given. `certificates`: files by use, `authority` and `server`.

    `is_now` False: a night that is caught up; of disk, certificates, back-up and intake only this moment is
    known, so they are left out. `reads_back`: the newest copy's bytes are checked, which takes a while.
    `paused`: boxes that the running service does not read for their rate, `is_failing` and `failing_since_ms`
    of its store, `is_refused` of a write to the disk; None is not known.
    """

    site: str
    state_dir: Path
    certificates: Mapping[str, Path] = field(default_factory=dict)
    backup_folder: Path | None = None
    is_now: bool = True
    reads_back: bool = False
    paused: frozenset[str] | None = None
    is_failing: bool | None = None
    failing_since_ms: int | None = None
    is_refused: bool = False


def facts_of(settings: Settings, site: str) -> HouseFacts:
    """What the settings tell of a site's house; the rest is the caller's to add."""
    files = {"authority": settings.state_dir / "ca" / "ca.pem", "server": settings.intake_cert}
    return HouseFacts(
        site=site,
        state_dir=settings.state_dir,
        certificates={use: path for use, path in files.items() if path is not None and settings.intake_cert},
        backup_folder=settings.backup_folder,
    )


def nightly_of(settings: Settings) -> Callable[[Session, str, int, bool], tuple[Finding, ...]]:
    """What the night asks of a site's house, by these settings; the newest copy is read back."""

    def found(session: Session, site: str, at_ms: int, is_now: bool) -> tuple[Finding, ...]:
        facts = replace(facts_of(settings, site), is_now=is_now, reads_back=True)
        return house_findings(session, facts, at_ms=at_ms)

    return found


def house_findings(session: Session, facts: HouseFacts, *, at_ms: int) -> tuple[Finding, ...]:
    """What is found of a site's boxes and house at that moment; whether boxes are heard is not in it."""
    house = _boxes_read(session, facts, at_ms)
    if not facts.is_now:
        return box_findings(house)
    now = _present_read(facts, at_ms)
    return (*box_findings(house), *present_findings(now))


def _boxes_read(session: Session, facts: HouseFacts, at_ms: int) -> House:
    doors: dict[str, list[DoorHung]] = {}
    for door in list_doors(session):
        if door.site == facts.site:
            doors.setdefault(door.built.node, []).append(door)
    old = _old_passwords(session, facts.site, at_ms)
    boxes = [_box(session, name, its, facts, at_ms, is_old=name in old) for name, its in doors.items()]
    return House(site=facts.site, at_ms=at_ms, boxes=boxes, held=_held(session, facts.site, at_ms))


def _box(
    session: Session, name: str, doors: list[DoorHung], facts: HouseFacts, at_ms: int, *, is_old: bool
) -> Box:
    node_id = doors[0].node_id
    return Box(
        name=name,
        battery_v=_battery(session, doors, at_ms),
        undated=_undated(session, node_id, at_ms),
        is_suspect=_is_suspect(session, node_id, at_ms),
        is_twin=_is_twin(session, doors, at_ms),
        is_password_old=is_old,
        is_paused=None if facts.paused is None else name in facts.paused,
    )


def _battery(session: Session, doors: Iterable[DoorHung], at_ms: int) -> list[float] | None:
    channels = [
        door.channels[gauge.channel].id
        for door in doors
        for gauge in door.built.gauges
        if gauge.kind == "battery" and gauge.channel in door.channels
    ]
    if not channels:
        return None
    today = at_ms // DAY_MS
    within = RollupDay.day.between(today - BATTERY_DAYS, today - 1)
    chosen = (RollupDay.channel_id == channels[0]) & within
    return [float(mean) for mean in session.scalars(select(RollupDay.mean).where(chosen))]


def _undated(session: Session, node_id: int, at_ms: int) -> int:
    """Instants of the last day without a date, of the journals that the box writes."""
    found = 0
    open_ones = (Journal.node_id == node_id) & Journal.closed.is_(None)
    for journal_id in session.scalars(select(Journal.id).where(open_ones)):
        newest = (
            select(Instant.clock, Instant.t_ms)
            .where(Instant.journal_id == journal_id)
            .order_by(Instant.seq.desc())
            .limit(NEWEST)
            .subquery()
        )
        late = (newest.c.clock == CLOCK_NONE) & newest.c.t_ms.between(at_ms - DAY_MS, at_ms)
        found += session.scalar(select(func.count()).select_from(newest).where(late)) or 0
    return found


def _is_suspect(session: Session, node_id: int, at_ms: int) -> bool:
    """Whether a clock was put right by more than it can have drifted, in the last days by the right time."""
    set_ms = ClockFix.t1_ms + ClockFix.off_ms
    suspect = (
        (Journal.node_id == node_id) & (ClockFix.suspect != 0) & set_ms.between(at_ms - RECENT_MS, at_ms)
    )
    chosen = select(ClockFix.id).join(Journal, Journal.id == ClockFix.journal_id).where(suspect).limit(1)
    return session.scalar(chosen) is not None


def _is_twin(session: Session, doors: Iterable[DoorHung], at_ms: int) -> bool:
    marks = [mark for door in doors for mark in marks_of(session, door.id)]
    return any(mark.kind == "twin" and at_ms - RECENT_MS <= mark.t_ms <= at_ms for mark in marks)


def _old_passwords(session: Session, site: str, at_ms: int) -> set[str]:
    """Boxes that were told a new password and have not taken it up in the time they had."""
    return {
        one.node
        for one in changes(session)
        if one.site == site and one.secret is not None and at_ms >= one.secret.until_ms and not is_taken(one)
    }


def _held(session: Session, site: str, at_ms: int) -> dict[str, Held]:
    """Packs in quarantine by the box that they name; of boxes that are enrolled at this site."""
    at = datetime.fromtimestamp(at_ms / 1000, UTC)
    standing = Quarantine.replayed.is_(None) & (Quarantine.until > at) & (Quarantine.arrival_ms <= at_ms)
    # one that was kept may have come many times; of those that were only counted each is one
    packs_of = func.sum(case((Quarantine.payload.is_(None), Quarantine.times), else_=1))
    rows = session.execute(
        select(Node.name, Quarantine.code, packs_of, func.min(Quarantine.arrival_ms))
        .join(Node, Node.id == Quarantine.node_id)
        .join(Site, Site.id == Node.site_id)
        .where(standing & (Site.name == site))
        .group_by(Node.name, Quarantine.code)
        .order_by(Node.name, packs_of.desc(), Quarantine.code)
    )
    found: dict[str, Held] = {}
    for name, code, packs, oldest_ms in rows:
        before = found.get(name)
        found[name] = Held(
            packs=int(packs) + (before.packs if before else 0),
            oldest_ms=min(int(oldest_ms), before.oldest_ms) if before else int(oldest_ms),
            why=before.why if before else str(code).replace("-", " "),
        )
    return found


def _present_read(facts: HouseFacts, at_ms: int) -> House:
    return House(
        site=facts.site,
        at_ms=at_ms,
        ends_ms={use: _end_ms(path) for use, path in facts.certificates.items()},
        free_mib=_free_mib(facts.state_dir),
        is_refused=facts.is_refused,
        back_up=_back_up(facts),
        failing_since_ms=facts.failing_since_ms,
        is_failing=facts.is_failing,
    )


def _end_ms(path: Path) -> int | None:
    try:
        return round(end_of(path.read_text("utf-8")).timestamp() * 1000)
    except (OSError, ValueError, HangtrueError):
        return None


def _free_mib(folder: Path) -> float | None:
    try:
        return shutil.disk_usage(folder).free / MIB
    except OSError:
        return None


def _back_up(facts: HouseFacts) -> BackUp | None:
    """The newest copy whose manifest can be read; a newer one without is a copy that cannot be read back."""
    if facts.backup_folder is None:
        return None
    try:
        copies = back_ups(facts.backup_folder)
    except OSError:
        copies = {}
    spoiled = False
    for made in sorted(copies, reverse=True):
        try:
            manifest = read_manifest(copies[made], asked=ASKED)
        except BackupError:
            spoiled = True
            continue
        checked = _is_good(copies[made]) if facts.reads_back and not spoiled else None
        made_ms = round(manifest.made.timestamp() * 1000)
        return BackUp(made_ms=made_ms, is_good=False if spoiled else checked)
    return BackUp(made_ms=None, is_good=False if spoiled else None)


def _is_good(copy: Path) -> bool:
    try:
        check_bytes(copy, read_manifest(copy, asked=ASKED), asked=ASKED)
    except (BackupError, OSError):
        return False
    return True
