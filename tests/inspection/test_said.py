"""The record of what was said: added to, never changed; said otherwise, it is said again."""

from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from server.inspection.said import Said, said_of, say
from server.inspection.values import SeriesLook
from tests.fakes.clock import HandClock
from tests.inspection.doors import Truth, one_joint
from tests.inspection.stored import stored_door

NIGHT = "2026-11-23"
FACTS = {
    "last_day": 20779,
    "stays": 0.12,
    "stays_low": 0.1,
    "stays_high": 0.14,
    "alarm": True,
    "limit": 0.166,
    "forecast": {"earliest": 20900, "latest": None},
}
LOOK = SeriesLook(
    key="turn:lock-hinge",
    unit="mrad",
    status="served",
    reason=None,
    rate=0.05,
    low=0.03,
    high=0.07,
    facts=FACTS,
    parts=None,
)


def told(**facts: object) -> SeriesLook:
    return replace(LOOK, facts={**FACTS, **facts})


def keep(session: Session, clock: HandClock, *looks: SeriesLook, slot: str = NIGHT) -> list[Said]:
    """What is kept of a door after a night says all of these, one after the other."""
    door = stored_door(session, Truth(years=0.0), one_joint())
    for look in looks:
        say(session, door.id, slot, [look], at=clock())
        clock.advance(hours=1)
    return said_of(session, door.id)


def test_a_night_comes_back(session: Session, clock: HandClock) -> None:
    at = clock()
    (one,) = keep(session, clock, LOOK)
    assert one == Said(
        series="turn:lock-hinge",
        slot=NIGHT,
        revision=1,
        at=at,
        day=20779,
        status="served",
        rate=0.05,
        low=0.03,
        high=0.07,
        stays=0.12,
        stays_low=0.1,
        stays_high=0.14,
        alarm=True,
        bound=0.166,
        earliest=20900,
    )


def test_the_same_is_not_said_twice(session: Session, clock: HandClock) -> None:
    undated = replace(LOOK, facts={key: value for key, value in FACTS.items() if key != "forecast"})
    assert [one.revision for one in keep(session, clock, LOOK, told(stays=0.12 + 1e-9), undated)] == [1]


@pytest.mark.parametrize(
    "other",
    [
        told(stays=0.13),
        told(stays=None),
        told(alarm=False),
        told(forecast=None),
        told(forecast={"earliest": 20900, "latest": 21000}),
        replace(LOOK, status="provisional"),
    ],
    ids=["stays", "not told", "alarm", "no date", "date", "status"],
)
def test_known_then_and_known_now_both_stay(session: Session, clock: HandClock, other: SeriesLook) -> None:
    at = clock()
    first, second = keep(session, clock, LOOK, other)
    assert (first.revision, second.revision) == (1, 2)
    assert second.at - at == timedelta(hours=1)
    assert (first.stays, first.alarm, first.earliest) == (0.12, True, 20900)
    assert not first.says_as(second)


def test_a_date_that_was_not_reckoned_again_stays(session: Session, clock: HandClock) -> None:
    facts = {key: value for key, value in FACTS.items() if key != "forecast"} | {"stays": 0.13}
    second = keep(session, clock, LOOK, replace(LOOK, facts=facts))[1]
    assert (second.revision, second.earliest) == (2, 20900)


def test_a_series_never_heard_is_not_said(session: Session, clock: HandClock) -> None:
    assert keep(session, clock, told(last_day=None)) == []


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE said SET stays = 0",
        "DELETE FROM said",
        "INSERT OR REPLACE INTO said (id, door_id, series, slot, revision, at, day, status) "
        "SELECT id, door_id, series, slot, revision, at, day, 'served' FROM said",
        "INSERT OR REPLACE INTO said (door_id, series, slot, revision, at, day, status) "
        "SELECT door_id, series, slot, revision, at, day, 'served' FROM said",
    ],
    ids=["update", "delete", "replace by key", "replace by night"],
)
def test_what_was_said_stays_said(session: Session, clock: HandClock, change: str) -> None:
    keep(session, clock, LOOK)
    session.commit()
    if "REPLACE" in change and session.get_bind().dialect.name != "sqlite":
        change = "TRUNCATE said"  # the word for it that this database has
    with pytest.raises(DBAPIError, match="inserted to alone"):
        session.execute(text(change))
    session.rollback()
    assert session.execute(text("SELECT stays FROM said")).scalars().all() == [0.12]
