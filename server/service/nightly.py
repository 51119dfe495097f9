"""The nightly run: which nights are due, and the looks at boxes and doors for each of them, in order."""

import logging
import time as stopwatch
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import Engine
from sqlalchemy.exc import OperationalError

from server.alerts import ledger
from server.alerts.ledger import Night
from server.clock import Clock
from server.database import Session, reading_of, session_of
from server.doors.register import DoorHung, find_door, list_doors
from server.inspection import felt, findings, late, look, reading, results, said, watch_kept
from server.inspection.look import Looked
from server.inspection.results import Slot
from server.inspection.trending import Asked
from server.inspection.values import Finding, Inspection
from server.service import overtime, trials
from server.service.walk import Days, Due, Walk, day_of, door_days, first_of, nights_on

log = logging.getLogger(__name__)

DAY_MS = 86_400_000
# One night more than the rule that counts longest.
FIRST_NIGHTS = 15
MOST_NIGHTS = 400
# So many of the newest nights are looked at anew at once where readings of their days came later.
NIGHTS_ANEW = 60


HouseFindings = Callable[[Session, str, int, bool], tuple[Finding, ...]]
"""What is found of a site's house beside its silence: session, site, moment in ms, whether that is now."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LookDone:
    """A look at a door: its night, how it ended (`done` or `failed`), what it said without its days."""

    ref: str
    slot: str
    status: str
    inspection: Inspection


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

    A door that was never looked at takes its last 15 ended days. Where readings came after nights that rest
    on them, the newest 60 of these are looked at anew first. One door's failure stops no other. After the
    last door come the trials, unless one door alone is asked for. What half an hour does not suffice for is
    left to the next run. Raises UnknownDoorError for `force_door`.
    """
    now, doors = clock(), _doors(engine, force_door)
    due: dict[int, list[Due]] = {door.id: _door_due(engine, door, now, look_at, zone) for door in doors}
    sites = {door.site: _site_due(engine, door, now, look_at, zone) for door in doors}
    nights = sorted({night.slot for nights in (*due.values(), *sites.values()) for night in nights})
    walk = Walk(now=now, nights=due, most_anew=NIGHTS_ANEW)
    done: list[LookDone] = []
    for slot in nights:
        for site, site_nights in sites.items():
            for night in (one for one in site_nights if one.slot == slot):
                _look_at_house(engine, site, night, now, also)
        for door, night in [(one, night) for one in doors for night in due[one.id] if night.slot == slot]:
            # a first look that is cut is begun anew: left for later it would never come to its end
            if not night.anew and (clock() - now).total_seconds() > overtime.RUN_S:
                log.warning("a run took its time; %s and what is left wait for the next hour", door.ref)
                return done
            if night is due[door.id][0]:
                done += _look_anew(engine, door, walk)
            done.append(_look_at_door(engine, door, night, walk))
        if force_door is None:
            trials.look_at_trials(engine, _end_day(slot, (*due.values(), *sites.values())))
    return done


def _end_day(slot: str, nights: Iterable[Sequence[Due]]) -> int:
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
        _look_at_house(engine, site, Due(slot=slot, at=now), now)
    done: list[LookDone] = []
    for door in doors:
        nights = _last_nights(now.astimezone(ZoneInfo(zone or door.zone)).date(), now)
        walk = Walk(now=now, nights={door.id: nights})
        done += [_look_at_door(engine, door, night, walk) for night in nights]
    return done


def look_from_hanging(
    engine: Engine, door_ref: str, *, clock: Clock, zone: str | None = None
) -> list[LookDone]:
    """Look at a door anew, night by night from its hanging, each with the readings up to its own day.

    Past nights are kept and folded and send nothing; the last one says what stands. Raises UnknownDoorError.
    """
    now, (door,) = clock(), _doors(engine, door_ref)
    today = now.astimezone(ZoneInfo(zone or door.zone)).date()
    nights = _last_nights(today, now, count=max((today - door.hung.date()).days, 1))
    walk = Walk(now=now, nights={door.id: nights}, watches={door.id: {}})
    return [_look_at_door(engine, door, night, walk) for night in nights]


def look_back(engine: Engine, *, clock: Clock, zone: str | None = None) -> list[LookDone]:
    """Look again at the first door with readings of days that its looks did not go over, if any.

    Days before its first look, or before more than 400 of its nights: from its hanging. Else the nights from
    the first that rests on days which changed. Not before its box has sent all that it has.
    """
    for door in _doors(engine, None):
        if findings.waiting(door) >= findings.BACK_FILL:
            continue
        nights = _stale_nights(engine, door)
        if len(nights) > MOST_NIGHTS or _reaches_back(engine, door):
            log.info(
                "the readings of %s go further back than its looks: looked at from its hanging", door.ref
            )
            return look_from_hanging(engine, door.ref, clock=clock, zone=zone)
        if nights:
            log.info("readings of %s came after %d nights, which are looked at anew", door.ref, len(nights))
            walk = Walk(now=clock(), nights={door.id: nights})
            return [_look_at_door(engine, door, night, walk) for night in nights]
    return []


def looked_at_night(engine: Engine, door_ref: str, day: date) -> Inspection:
    """What a look on that night would have said with what is stored now. Nothing is kept.

    Raises UnknownDoorError.
    """
    with reading_of(engine) as session:
        door = find_door(session, door_ref)
        end_day = int(datetime.combine(day, time(), UTC).timestamp() * 1000) // DAY_MS
        inputs = reading.gather(session, door, end_day)
        watches = watch_kept.watches_of(session, door.id)
    return look.watched_look(inputs, watches).inspection


def _reaches_back(engine: Engine, door: DoorHung) -> bool:
    with reading_of(engine) as session:
        first, heard = (
            results.first_slot(session, results.scope_of(door.id)),
            reading.first_day(session, door),
        )
    if first is None or heard is None:
        return False
    return date(1970, 1, 1) + timedelta(days=heard + 1) < date.fromisoformat(first)


def _stale_nights(engine: Engine, door: DoorHung) -> list[Due]:
    """The nights that are not looked at with the days as they are kept, oldest first; the newest is said."""
    with reading_of(engine) as session:
        kept = late.looked_of(session, door.id)
        past = [] if kept is None or kept.stale_day is None else nights_on(session, door, kept.stale_day)
    return [*past[:-1], *(replace(night, past=False) for night in past[-1:])]


def _doors(engine: Engine, ref: str | None) -> list[DoorHung]:
    with reading_of(engine) as session:
        doors = list_doors(session) if ref is None else [find_door(session, ref)]
    return sorted(doors, key=lambda door: door.id)


def _last_nights(last: date, moment: datetime, *, count: int = FIRST_NIGHTS) -> list[Due]:
    """The last nights; their moments are whole days before `moment`. The last one alone is said."""
    days = [timedelta(days=back) for back in range(count - 1, -1, -1)]
    return [
        Due(slot=(last - back).isoformat(), at=moment - back, past=back > timedelta(0), anew=True)
        for back in days
    ]


def _door_due(engine: Engine, door: DoorHung, now: datetime, look_at: str, zone: str | None) -> list[Due]:
    with reading_of(engine) as session:
        scope = results.scope_of(door.id)
        first, last = results.first_slot(session, scope), results.last_slot(session, scope)
    home = zone or door.zone
    slots = slots_due(None if last is None else date.fromisoformat(last), now, home, look_at)
    if slots and not _has_first_look(first, last):
        return _last_nights(slots[-1], moment_of(slots[-1], home, look_at))
    return [Due(slot=slot.isoformat(), at=moment_of(slot, home, look_at)) for slot in slots]


def _has_first_look(first: str | None, last: str | None) -> bool:
    """Whether a first look came to its end: one that was cut is begun anew, so that it says the same."""
    if first is None or last is None:
        return False
    return (date.fromisoformat(last) - date.fromisoformat(first)).days >= FIRST_NIGHTS - 1


def _site_due(engine: Engine, door: DoorHung, now: datetime, look_at: str, zone: str | None) -> list[Due]:
    with reading_of(engine) as session:
        last = results.last_slot(session, _house(door.site))
    home = zone or door.zone
    slots = slots_due(None if last is None else date.fromisoformat(last), now, home, look_at)
    return [Due(slot=slot.isoformat(), at=moment_of(slot, home, look_at)) for slot in slots]


def _house(site: str) -> str:
    return f"site/{site}"


def _look_at_house(
    engine: Engine, site: str, due: Due, now: datetime, also: HouseFindings | None = None
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


def _look_anew(engine: Engine, door: DoorHung, walk: Walk) -> list[LookDone]:
    """The nights before the run's own that rest on days which changed; the newest of them."""
    done: list[LookDone] = []
    try:
        for night in door_days(engine, door, walk).anew:
            done.append(_look_and_keep(engine, door, night, walk))
    except Exception:  # what was said of those nights stands; of a failure the night that is due will tell
        log.exception("could not look anew at past nights of %s", door.ref)
        if (days := walk.days.get(door.id)) is not None:
            days.stale_day = first_of(days.stale_day, days.changed_day)
    return done


def _look_at_door(engine: Engine, door: DoorHung, due: Due, walk: Walk) -> LookDone:
    started = stopwatch.monotonic()
    try:
        try:
            return _look_and_keep(engine, door, due, walk)
        except OperationalError:  # held by another program, or away: no fault of the door
            log.warning("the database did not answer; %s is looked at once more", door.ref, exc_info=True)
            return _look_and_keep(engine, door, due, walk)
    except Exception:  # one door's failure is told and must stop no other
        log.exception("could not look at %s for %s", door.ref, due.slot)
        nothing = Looked(inspection=Inspection(findings=()))
        _keep(engine, door, due, nothing, _slot(door, due, walk.now, started, status="failed"))
        return LookDone(ref=door.ref, slot=due.slot, status="failed", inspection=nothing.inspection)
    finally:
        if due is walk.nights[door.id][-1]:
            walk.days.pop(door.id, None)
            walk.watches.pop(door.id, None)


def _look_and_keep(engine: Engine, door: DoorHung, due: Due, walk: Walk) -> LookDone:
    started, is_last = stopwatch.monotonic(), due is walk.nights[door.id][-1]
    worked = stopwatch.process_time()
    looked = _looked(engine, door, due, walk, is_last=is_last)
    over = overtime.overtime(door.name, stopwatch.process_time() - worked)
    inspection = replace(looked.inspection, findings=(*looked.inspection.findings, *over))
    looked = replace(looked, inspection=inspection)
    days = walk.days[door.id] if is_last else None
    _keep(engine, door, due, looked, _slot(door, due, walk.now, started), days=days)
    walk.watches[door.id] = looked.watches
    # the days of every series are kept, and would fill the memory of a run over many doors
    told = tuple(replace(one, parts=None) for one in inspection.series)
    return LookDone(ref=door.ref, slot=due.slot, status="done", inspection=replace(inspection, series=told))


def _looked(engine: Engine, door: DoorHung, due: Due, walk: Walk, *, is_last: bool) -> Looked:
    """A night's look, its watches from where the night before left them. Past nights leave out the days."""
    days = door_days(engine, door, walk)
    inputs = days.inputs
    if not is_last:
        with reading_of(engine) as session:
            inputs = reading.on_night(session, inputs, day_of(due))
    asked = Asked(brief=not is_last, dated=is_last or due.slot.endswith("-01"))
    with overtime.ended_after(overtime.ENDED_S, asked=f"look at {door.ref}"):
        return look.watched_look(inputs, walk.watches[door.id], asked=asked, air=days.air)


def _slot(door: DoorHung, due: Due, now: datetime, started: float, *, status: str = "done") -> Slot:
    return Slot(
        scope=results.scope_of(door.id),
        slot=due.slot,
        looked=now,
        until_ms=day_of(due) * DAY_MS,
        took_s=stopwatch.monotonic() - started,
        status=status,
    )


def _keep(
    engine: Engine, door: DoorHung, due: Due, looked: Looked, slot: Slot, *, days: Days | None = None
) -> None:
    """Keep a look. `days`: of the last night of a run, whose series, watches and days are kept too."""
    night = Night(slot=due.slot, at=slot.looked, past=due.past, anew=due.anew, failed=slot.status == "failed")
    with session_of(engine) as session:
        inspection = felt.with_slams(session, door, looked.inspection)
        results.save(session, inspection, slot, door_id=None if days is None else door.id)
        said.say(session, door.id, due.slot, inspection.series, at=slot.looked)
        ledger.record(session, inspection, door=door, night=night)
        if days is not None:
            watch_kept.keep_watches(session, door.id, looked.watches)
            _keep_days(session, door, days)


def _keep_days(session: Session, door: DoorHung, days: Days) -> None:
    """The days as they were looked at. While older readings come in, those of before: they are compared."""
    if findings.waiting(door) >= findings.BACK_FILL and late.looked_of(session, door.id) is not None:
        return
    values = late.days_of(days.inputs)
    late.keep_looked(session, door.id, late.Looked(values=values, stale_day=days.stale_day))


def _ms(moment: datetime) -> int:
    return int(moment.timestamp() * 1000)
