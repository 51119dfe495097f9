"""Trials of Saltmarsh Yard: declarations, nights and a clock on the day of sealing."""

import copy
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import text
from sqlalchemy.orm import Session

from server.trend.trial_pairs import PairNight, Served
from server.trials.canonical import canonical
from server.trials.looks import EPOCH
from server.trials.store import declare, find, seal_trial
from tests.fakes.clock import HandClock
from tests.trend.trial_cases import CASES

FILLED = ("declared_on", "declared_by", "seen_until", "amends", "reason")
SEALING = datetime(2026, 11, 24, 9, tzinfo=UTC)
KEEPER = "M. Hale"


def declaration(**changes: object) -> dict[str, Any]:
    """The maker's fields of the published record of today's method, with changes; None leaves a field out."""
    record = copy.deepcopy(CASES["seal-second"]["input"]) | changes
    return {key: value for key, value in record.items() if key not in FILLED and value is not None}


def sides(door: str, moment: str | None = "70.0") -> dict[str, Any]:
    return {"door": door, "version": 1, "joints": ["lock-hinge"], "moment_n_m": moment}


def pairs(count: int) -> list[dict[str, Any]]:
    """So many pairs of invented doors."""
    return [{"a": sides(f"north-{place}"), "b": sides(f"south-{place}")} for place in range(count)]


def groups(a: int, b: int) -> dict[str, Any]:
    """A declaration of unmatched doors of a kind."""
    doors = {
        "a": [sides(f"north-{place}") for place in range(a)],
        "b": [sides(f"south-{place}") for place in range(b)],
    }
    return declaration(design="groups", scope="kind", pairs=None, groups=doors)


def sealed(session: Session, **changes: object) -> str:
    """A trial, sealed on 24 November 2026."""
    clock = HandClock(SEALING)
    draft_id = declare(session, declaration(**changes), by=KEEPER, clock=clock)
    return seal_trial(session, draft_id, clock=clock, seen_until=None)


def night_of(session: Session, seal: str, days: int) -> int:
    """The night so many days after the trial's start."""
    return (find(session, seal).declared.starts_on - EPOCH).days + days


def served(night: int, *estimates: tuple[float, float]) -> list[PairNight]:
    """Pairs served tonight: difference and standard error of each."""
    return [PairNight(served=Served(night=night, d=d, se=se)) for d, se in estimates]


def put_record(session: Session, record: dict[str, Any], *, under: str, amends: str | None = None) -> None:
    """A row that did not come through the store."""
    row = {"seal": under, "body": canonical(record).decode(), "amends": amends}
    session.execute(
        text(
            "INSERT INTO trial_record (seal, body, sealed, by, amends) "
            "VALUES (:seal, :body, '2026-11-24 09:00:00', 'M. Hale', :amends)"
        ),
        row,
    )
