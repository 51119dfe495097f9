"""What every page is handed: sessions, clock, health, the place."""

from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from typing import cast

from flask import current_app, request

from dashboards.pages import dates, facts
from server.alerts import ledger
from server.clock import Clock
from server.database import Session
from server.doors import register
from server.doors.load_tests import load_tests_of
from server.doors.register import DoorHung
from server.inspection import results

THEMES = ("paper", "slate")


@dataclass(frozen=True, slots=True, kw_only=True)
class Ours:
    """Opened by whoever made the application; `sessions` read only, `writing` commits at its end.

    `base_url`: the address of these pages as messages and the feed give it.
    """

    sessions: Callable[[], Session]
    writing: Callable[[], AbstractContextManager[Session]]
    clock: Clock
    health: Callable[[], Mapping[str, object] | None]
    zone: str | None
    invented: bool
    base_url: str = "http://127.0.0.1:8060"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """What stands round a page: title, the page marked on the rod, the title block."""

    title: str
    name: str
    nav: str
    drawn: str
    last_heard: str | None
    standing: int
    measured: str = "mm below the hung line"


def ours() -> Ours:
    """The parts this application was made with."""
    return cast("Ours", current_app.extensions["hangtrue"])


def theme() -> str | None:
    """Paper or slate where the reader chose one."""
    chosen = request.cookies.get("sheet")
    return chosen if chosen in THEMES else None


def zone_of(door: DoorHung) -> str:
    """The zone in which a door's dates are told."""
    return ours().zone or door.zone


def facts_of(
    session: Session, door: DoorHung, standing: list[ledger.AlertView], now: datetime
) -> facts.DoorFacts:
    """Facts of a door that is hung here."""
    heard = facts.Heard(
        door=door,
        results=results.results_of(session, door.id, with_parts=facts.is_drawn_from),
        state=ledger.door_state(session, door.id),
        standing=standing,
        now=now,
        zone=zone_of(door),
        tests=load_tests_of(session, door.id),
    )
    return facts.door_facts(heard)


def all_facts(session: Session) -> list[facts.DoorFacts]:
    """Facts of every door, most pressing first."""
    now, standing = ours().clock(), list(ledger.standing(session))
    doors = [facts_of(session, door, standing, now) for door in register.list_doors(session)]
    return sorted(doors, key=facts.pressing)


def sheet(session: Session, *, title: str, nav: str, name: str | None = None, heard: list[DoorHung]) -> Sheet:
    """The frame of a page about these doors."""
    now = ours().clock()
    zone = ours().zone or (heard[0].zone if heard else "UTC")
    last = max(
        (door.node_last_heard_ms for door in heard if door.node_last_heard_ms is not None), default=None
    )
    return Sheet(
        title=title,
        name=name or title,
        nav=nav,
        drawn=dates.local_time(now, zone),
        last_heard=None if last is None else dates.ago(dates.at_ms(last), now, zone),
        standing=len(list(ledger.standing(session))),
    )
