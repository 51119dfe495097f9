"""The nightly run: which nights are due, and the looks at boxes and doors for each of them, in order."""

import logging
import time as stopwatch
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import Engine

from server.alerts import ledger
from server.alerts.ledger import Night
from server.clock import Clock
from server.database import Session, session_of
from server.doors.register import DoorHung, find_door, list_doors
from server.inspection import findings, lines, look, reading, results, said, watch_kept
from server.inspection.look import Looked
from server.inspection.results import Slot
from server.inspection.trending import Asked
from server.inspection.values import DoorInputs, Finding, Inspection
from server.inspection.watching import SeriesWatch
from server.service import trials

log = logging.getLogger(__name__)

DAY_MS = 86_400_000
# One night more than the rule that counts longest.
FIRST_NIGHTS = 15
MOST_NIGHTS = 400


HouseFindings = Callable[[Session, str, int, bool], tuple[Finding, ...]]
"""What is found of a site's house beside its silence: session, site, moment in ms, whether that is now."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LookDone:
    """A look at a door: its night, how it ended (`done` or `failed`), what it said."""

    ref: str
    slot: str
    status: str
    inspection: Inspection


@dataclass(frozen=True, slots=True, kw_only=True)
class _Due:
    """A night to be looked at; `at` is its moment, `past` that a later one of the same run says it."""

    slot: str
    at: datetime
    past: bool = False
    anew: bool = False


@dataclass(slots=True)
class _Walk:
    """What a run knows of the doors from one night to the next.

    `watches`: of each door, as the last night of this run left them; `days`: of a door that is looked at from
    its hanging, read once.
    """

    now: datetime
    watches: dict[int, Mapping[str, SeriesWatch]] = field(default_factory=dict)
    days: dict[int, DoorInputs] = field(default_factory=dict)


def slots_due(last: date | None, now: datetime, zone: str, at: str) -> list[date]:
    """Local dates after the last done whose hour has come, oldest first; without a last one, today alone.

    An hour that a night does not have is taken after the gap, one that it has twice the first time.
    """
    today = now.astimezone(ZoneInfo(zone)).date()
    first = max(today if last is None else last + timedelta(days=1), today - timedelta(days=MOST_NIGHTS))
    days = [first + timedelta(days=k) for k in range((today - first).days + 1)]
    return [day for day in days if moment_of(day, zone, at) <= now]


def moment_of(day: date, zone: str, at: str) -> datetime:
    """When that night's look is due, in UTC."""
    return datetime.combine(day, time.fromisoformat(at), ZoneInfo(zone)).astimezone(UTC)


def run_due(
    engine: Engine,
    *,
    clock: Clock,
    look_at: str,
    zone: str | None,
    force_door: str | None = None,
    also: HouseFindings | None = None,
) -> list[LookDone]:
    """Look at every door (or at one) for each night that is due, at the boxes first.

    A door that was never looked at takes its last 15 ended days. One door's failure stops no other. After the
    last door come the trials, unless one door alone is asked for. Raises UnknownDoorError for `force_door`.
    """
    now, doors = clock(), _doors(engine, force_door)
    due: dict[int, list[_Due]] = {door.id: _door_due(engine, door, now, look_at, zone) for door in doors}
    sites = {door.site: _site_due(engine, door, now, look_at, zone) for door in doors}
    nights = sorted({night.slot for nights in (*due.values(), *sites.values()) for night in nights})
    done, walk = [], _Walk(now=now)
    for slot in nights:
        for site, site_nights in sites.items():
            for night in (one for one in site_nights if one.slot == slot):
                _look_at_house(engine, site, night, now, also)
        for door in doors:
            for night in (one for one in due[door.id] if one.slot == slot):
                done.append(_look_at_door(engine, door, night, walk, is_last=night is due[door.id][-1]))
        if force_door is None:
            trials.look_at_trials(engine, _end_day(slot, (*due.values(), *sites.values())))
    return done


def _end_day(slot: str, nights: Iterable[Sequence[_Due]]) -> int:
    """The first day that has not ended at a night's last moment, whatever the doors' zones."""
    return _ms(max(one.at for each in nights for one in each if one.slot == slot)) // DAY_MS


def inspect_now(
    engine: Engine, door_ref: str | None, *, clock: Clock, zone: str | None = None
) -> list[LookDone]:
    """Look at one door, or at all, with what is here now: its last 15 days are looked at anew.

    Raises UnknownDoorError.
    """
    now, doors = clock(), _doors(engine, door_ref)
    for site, home in {door.site: zone or door.zone for door in doors}.items():
        slot = now.astimezone(ZoneInfo(home)).date().isoformat()
        _look_at_house(engine, site, _Due(slot=slot, at=now), now)
    done, walk = [], _Walk(now=now)
    for door in doors:
        today = now.astimezone(ZoneInfo(zone or door.zone)).date()
        nights = _last_nights(today, now)
        done += [_look_at_door(engine, door, night, walk, is_last=night is nights[-1]) for night in nights]
    return done


def look_from_hanging(
    engine: Engine, door_ref: str, *, clock: Clock, zone: str | None = None
) -> list[LookDone]:
    """Look at a door anew, night by night from its hanging, each with the readings up to its own day.

    Past nights are kept and folded and send nothing; the last one says what stands. Raises UnknownDoorError.
    """
    now, (door,) = clock(), _doors(engine, door_ref)
    today = now.astimezone(ZoneInfo(zone or door.zone)).date()
    walk = _Walk(now=now, watches={door.id: {}})
    with session_of(engine) as session:
        results.hold(session, results.scope_of(door.id))
        days = reading.gather(session, door, _ms(now) // DAY_MS)
        walk.days[door.id] = lines.fixed(session, days, now=now)
    nights = _last_nights(today, now, count=max((today - door.hung.date()).days, 1))
    return [_look_at_door(engine, door, night, walk, is_last=night is nights[-1]) for night in nights]


def look_back(engine: Engine, *, clock: Clock, zone: str | None = None) -> list[LookDone]:
    """Look from its hanging at the first door whose readings reach further back than its looks, if any.

    Not before its box has sent all that it has.
    """
    for door in _doors(engine, None):
        if findings.waiting(door) < findings.BACK_FILL and _reaches_back(engine, door, clock()):
            log.info(
                "the readings of %s go further back than its looks: looked at from its hanging", door.ref
            )
            return look_from_hanging(engine, door.ref, clock=clock, zone=zone)
    return []


def looked_at_night(engine: Engine, door_ref: str, day: date) -> Inspection:
    """What a look on that night would have said with what is stored now. Nothing is kept.

    Raises UnknownDoorError.
    """
    with session_of(engine) as session:
        door = find_door(session, door_ref)
        end_day = int(datetime.combine(day, time(), UTC).timestamp() * 1000) // DAY_MS
        inputs = reading.gather(session, door, end_day)
        watches = watch_kept.watches_of(session, door.id)
    return look.watched_look(inputs, watches).inspection


def _reaches_back(engine: Engine, door: DoorHung, now: datetime) -> bool:
    with session_of(engine) as session:
        first = results.first_slot(session, results.scope_of(door.id))
        if first is None:
            return False
        days = reading.gather(session, door, _ms(now) // DAY_MS)
    if days.day.size == 0:
        return False
    heard = date(1970, 1, 1) + timedelta(days=days.hung_day + int(days.day[0]))
    return heard + timedelta(days=1) < date.fromisoformat(first)


def _doors(engine: Engine, ref: str | None) -> list[DoorHung]:
    with session_of(engine) as session:
        doors = list_doors(session) if ref is None else [find_door(session, ref)]
    return sorted(doors, key=lambda door: door.id)


def _last_nights(last: date, moment: datetime, *, count: int = FIRST_NIGHTS) -> list[_Due]:
    """The last nights; their moments are whole days before `moment`. The last one alone is said."""
    days = [timedelta(days=back) for back in range(count - 1, -1, -1)]
    return [
        _Due(slot=(last - back).isoformat(), at=moment - back, past=back > timedelta(0), anew=True)
        for back in days
    ]


def _door_due(engine: Engine, door: DoorHung, now: datetime, look_at: str, zone: str | None) -> list[_Due]:
    with session_of(engine) as session:
        scope = results.scope_of(door.id)
        first, last = results.first_slot(session, scope), results.last_slot(session, scope)
    home = zone or door.zone
    slots = slots_due(None if last is None else date.fromisoformat(last), now, home, look_at)
    if slots and not _has_first_look(first, last):
        return _last_nights(slots[-1], moment_of(slots[-1], home, look_at))
    return [_Due(slot=slot.isoformat(), at=moment_of(slot, home, look_at)) for slot in slots]


def _has_first_look(first: str | None, last: str | None) -> bool:
    """Whether a first look came to its end: one that was cut is begun anew, so that it says the same."""
    if first is None or last is None:
        return False
    return (date.fromisoformat(last) - date.fromisoformat(first)).days >= FIRST_NIGHTS - 1


def _site_due(engine: Engine, door: DoorHung, now: datetime, look_at: str, zone: str | None) -> list[_Due]:
    with session_of(engine) as session:
        last = results.last_slot(session, _house(door.site))
    home = zone or door.zone
    slots = slots_due(None if last is None else date.fromisoformat(last), now, home, look_at)
    return [_Due(slot=slot.isoformat(), at=moment_of(slot, home, look_at)) for slot in slots]


def _house(site: str) -> str:
    return f"site/{site}"


def _look_at_house(
    engine: Engine, site: str, due: _Due, now: datetime, also: HouseFindings | None = None
) -> None:
    """A site's boxes and house: the newest night is judged by now, those before by their hour."""
    started, is_now = stopwatch.monotonic(), now - due.at < timedelta(days=1)
    at_ms = _ms(now if is_now else due.at)
    with session_of(engine) as session:
        doors = [door for door in list_doors(session) if door.site == site]
        beside = () if also is None else also(session, site, at_ms, is_now)
        inspection = Inspection(findings=(*findings.silence(doors, at_ms=at_ms), *beside))
        took_s = stopwatch.monotonic() - started
        slot = Slot(scope=_house(site), slot=due.slot, looked=now, until_ms=at_ms, took_s=took_s)
        results.save(session, inspection, slot)
        ledger.record_house(
            session, inspection, site=site, doors=doors, night=Night(slot=due.slot, at=now, past=due.past)
        )


def _look_at_door(engine: Engine, door: DoorHung, due: _Due, walk: _Walk, *, is_last: bool) -> LookDone:
    started, end_day, now = stopwatch.monotonic(), _ms(due.at) // DAY_MS, walk.now
    status = "done"
    try:
        looked = _looked(engine, door, due, walk, is_last=is_last)
        inspection, walk.watches[door.id] = looked.inspection, looked.watches
        _keep(engine, door, due, looked, _slot(door, due, now, end_day, started), is_last=is_last)
    except Exception:  # one door's failure is told and must stop no other
        log.exception("could not look at %s for %s", door.ref, due.slot)
        status, inspection = "failed", Inspection(findings=())
        failed = _slot(door, due, now, end_day, started, status="failed")
        _keep(engine, door, due, Looked(inspection=inspection), failed, is_last=False)
    return LookDone(ref=door.ref, slot=due.slot, status=status, inspection=inspection)


def _looked(engine: Engine, door: DoorHung, due: _Due, walk: _Walk, *, is_last: bool) -> Looked:
    """A night's look, its watches from where the night before left them. Past nights leave out the days."""
    end_day = _ms(due.at) // DAY_MS
    if door.id in walk.days and not is_last:
        with session_of(engine) as session:
            inputs = reading.on_night(session, walk.days[door.id], end_day)
    else:
        with session_of(engine) as session:
            results.hold(session, results.scope_of(door.id))
            inputs = lines.fixed(session, reading.gather(session, door, end_day), now=walk.now)
            if door.id not in walk.watches:
                walk.watches[door.id] = watch_kept.watches_of(session, door.id)
    asked = Asked(brief=not is_last, dated=is_last or due.slot.endswith("-01"))
    return look.watched_look(inputs, walk.watches[door.id], asked=asked)


def _slot(
    door: DoorHung, due: _Due, now: datetime, end_day: int, started: float, *, status: str = "done"
) -> Slot:
    return Slot(
        scope=results.scope_of(door.id),
        slot=due.slot,
        looked=now,
        until_ms=end_day * DAY_MS,
        took_s=stopwatch.monotonic() - started,
        status=status,
    )


def _keep(engine: Engine, door: DoorHung, due: _Due, looked: Looked, slot: Slot, *, is_last: bool) -> None:
    night = Night(slot=due.slot, at=slot.looked, past=due.past, anew=due.anew, failed=slot.status == "failed")
    with session_of(engine) as session:
        results.save(session, looked.inspection, slot, door_id=door.id if is_last else None)
        said.say(session, door.id, due.slot, looked.inspection.series, at=slot.looked)
        ledger.record(session, looked.inspection, door=door, night=night)
        if is_last:
            watch_kept.keep_watches(session, door.id, looked.watches)


def _ms(moment: datetime) -> int:
    return int(moment.timestamp() * 1000)
