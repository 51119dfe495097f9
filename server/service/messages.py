"""What is said after a look, and who carries it: the night in order, composing, posts, the deliverer."""

import logging
import re
import socket
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import Engine, func, select

from server.alerts.delivery.channels import open_channels
from server.alerts.delivery.deliverer import LAST_S, TURN_S, Deliverer
from server.alerts.delivery.outbox import Composing, Reached, compose, passes
from server.alerts.delivery.posts import ensure_posts, retire_posts
from server.alerts.delivery.settings import ChannelSettings, read_channels
from server.alerts.delivery.tables import ComposedRow
from server.alerts.delivery.values import Channel
from server.alerts.rebuilding import void_ahead
from server.clock import Clock
from server.config import Settings
from server.database import Session, session_of
from server.doors.register import list_doors, site_of
from server.errors import UnknownDoorError
from server.inspection.tables import InspectionRow
from server.readings.tables import RollupDay
from server.service import nightly

log = logging.getLogger(__name__)

# A clock that is further ahead of the newest reading is not believed.
MOST_AHEAD = timedelta(days=400)
FIRST_DAY = date(1970, 1, 1)
JOIN_S = LAST_S + 1.0
NOT_IN_A_KEY = re.compile(r"[^a-zA-Z0-9.-]")


@dataclass(frozen=True, slots=True, kw_only=True)
class Saying:
    """How a yard's messages are made. `zone` None: the yard's own. `base_url`: the address of its pages.

    `reached` is told each point of the way, so that a test can end the process there.
    """

    clock: Clock
    rng: np.random.Generator
    base_url: str
    zone: str | None = None
    reached: Reached = passes


def saying_of(settings: Settings, *, clock: Clock) -> Saying:
    """How messages are made by a command of its own."""
    address = f"http://{settings.pages_bind.host}:{settings.pages_bind.port}"
    return Saying(
        clock=clock,
        rng=np.random.default_rng(),
        base_url=settings.base_url or address,
        zone=settings.zone,
    )


def run_night(
    engine: Engine, saying: Saying, *, look_at: str, also: nightly.HouseFindings | None = None
) -> list[nightly.LookDone]:
    """Look at all for each night that is due, and say once, after the last, what came of it.

    A clock that ran ahead is told and its looks are taken back; one that is not believed looks at nothing.
    """
    now = saying.clock()
    with session_of(engine) as session:
        if not _is_believed(session, now):
            return []
        zones = {saying.zone or door.zone for door in list_doors(session)} or {"UTC"}
        today = max(now.astimezone(ZoneInfo(zone)).date() for zone in zones)
        void_ahead(session, slot=today.isoformat(), at=now)
    done = nightly.run_due(engine, clock=saying.clock, look_at=look_at, zone=saying.zone, also=also)
    say(engine, saying, looked=bool(done))
    return done


def say(engine: Engine, saying: Saying, *, looked: bool) -> list[int]:
    """Make the messages of the newest night, and give their numbers.

    Nothing is made where nothing was `looked` at and the night's are made already: a run that ended before
    it composed is made good by the next.
    """
    with session_of(engine) as session:
        slot = _newest_night(session)
        if slot is None or not (looked or session.get(ComposedRow, slot) is None):
            return []
        return _compose(session, saying, slot)


def say_hour(engine: Engine, saying: Saying, slot: str) -> list[int]:
    """Make the messages of an hour's look at the house: what was raised or rose."""
    with session_of(engine) as session:
        return _compose(session, saying, slot)


def zone_of(session: Session, given: str | None) -> str:
    """The zone whose hours count: the one of the settings, else the yard's own."""
    if given is not None:
        return given
    site = site_of(session)
    return "UTC" if site is None else site.zone


def channels_of(settings: Settings) -> tuple[ChannelSettings, ...]:
    """The channels of the settings. Raises FileError with every complaint at once."""
    return read_channels(settings.delivery, str(settings.source or "the settings"))


def open_all(settings: Sequence[ChannelSettings], *, clock: Clock) -> dict[str, Channel]:
    """Every channel, ready to send. Raises SettingsError for a secret or an address that cannot be used."""
    return open_channels(settings, clock=clock, site=site_name())


def site_name() -> str:
    """A name of this computer that a Message-ID may carry."""
    return NOT_IN_A_KEY.sub("-", socket.gethostname()) or "hangtrue"


def settle_posts(engine: Engine, settings: Sequence[ChannelSettings], *, at: datetime) -> None:
    """Who is told, as the settings say; one whose door is not hung yet is told of nothing until it is."""
    with session_of(engine) as session:
        for one in settings:
            try:
                ensure_posts(session, [one])
            except UnknownDoorError as refusal:
                log.warning("channel %s tells nobody yet: %s", one.name, refusal)
        for name in retire_posts(session, [one.name for one in settings], at=at):
            log.warning("channel %s is in the settings no more; nothing new is sent by it", name)


@contextmanager
def delivering(
    engine: Engine, channels: Mapping[str, Channel], saying: Saying, *, every_s: float = TURN_S
) -> Iterator[Deliverer | None]:
    """A deliverer at work while the block runs; none where there is no channel."""
    if not channels:
        yield None
        return
    with session_of(engine) as session:
        zone = zone_of(session, saying.zone)
    made = Deliverer(engine, channels, clock=saying.clock, rng=saying.rng, zone=zone, reached=saying.reached)
    stop = threading.Event()
    # a try may last as long as the other side wishes; what is cut short goes again, with the same key
    thread = threading.Thread(
        target=made.run, args=(stop,), kwargs={"every_s": every_s}, name="deliverer", daemon=True
    )
    thread.start()
    try:
        yield made
    finally:
        stop.set()
        thread.join(JOIN_S)


def _compose(session: Session, saying: Saying, slot: str) -> list[int]:
    saying.reached("before composing")
    what = Composing(
        slot=slot,
        at=saying.clock(),
        zone=zone_of(session, saying.zone),
        base_url=saying.base_url,
        reached=saying.reached,
    )
    return compose(session, what, rng=saying.rng)


def _newest_night(session: Session) -> str | None:
    """The newest night that was looked at."""
    query = select(func.max(InspectionRow.slot)).where(InspectionRow.status != "void")
    found: str | None = session.scalar(query.where(InspectionRow.slot.not_like("%T%")))
    return found


def _is_believed(session: Session, now: datetime) -> bool:
    """Whether the clock may be right: not 400 days past the newest reading. Without one it is."""
    ids = [ref.id for door in list_doors(session) for ref in door.channels.values()]
    newest = [
        session.scalar(select(func.max(RollupDay.day)).where(RollupDay.channel_id == one)) for one in ids
    ]
    days = [day for day in newest if day is not None]
    if not days:
        return True
    last = datetime.combine(FIRST_DAY + timedelta(days=max(days)), time(), UTC)
    if now - last <= MOST_AHEAD:
        return True
    log.error(
        "clock_jump: it is %s by the clock and the newest reading is of %s; nothing is looked at. "
        "Set the clock, or look by hand: hangtrue inspect",
        f"{now:%Y-%m-%d}",
        f"{last:%Y-%m-%d}",
    )
    return False
