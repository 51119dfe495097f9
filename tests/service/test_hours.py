"""Each hour's look at the house: what was raised is said within the hour, what is well leaves no row."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

import numpy as np
from sqlalchemy import Engine, select, text
from sqlalchemy.orm import Session

from server.alerts import ledger, rebuilding
from server.alerts.delivery.tables import MessageRow, PostRow
from server.database import session_of
from server.inspection.tables import InspectionRow
from server.inspection.values import Finding
from server.service import messages
from server.service.hours import look_at_hour
from server.service.messages import Saying
from tests.fakes.clock import HandClock
from tests.service import boxes

NOON = datetime(2027, 3, 2, 12, 5, tzinfo=UTC)


class House:
    """A disk whose free room a test sets."""

    def __init__(self) -> None:
        self.free_mib = 9000.0

    def __call__(self, _session: Session, _now: datetime) -> Iterable[Finding]:
        evidence = {"free_mib": self.free_mib, "refused": False}
        battery = Finding(topic="battery", about="box-00", evidence={"battery_v": 1.0, "low_v": 2.6})
        return (Finding(topic="disk", about="saltmarsh-yard", evidence=evidence), battery)


def yard(engine: Engine) -> tuple[HandClock, House]:
    boxes.hang(engine, 1)
    with session_of(engine) as session:
        session.add(PostRow(channel="hook", least="note", house=1, quiet="21:00-06:00"))
    return HandClock(NOON), House()


def hour(engine: Engine, clock: HandClock, house: House) -> list[int]:
    rng = np.random.default_rng(int(clock().timestamp()))
    return look_at_hour(engine, Saying(clock=clock, rng=rng, base_url="http://x", zone="UTC"), also=house)


def rows(engine: Engine) -> dict[str, int]:
    names = ("inspection", "finding", "condition", "composed", "message")
    with Session(engine) as session:
        return {name: session.execute(text(f"SELECT count(*) FROM {name}")).scalar_one() for name in names}  # noqa: S608  # our own names


def test_a_healthy_house_leaves_no_row(engine: Engine) -> None:
    clock, house = yard(engine)
    for _ in range(3):
        assert hour(engine, clock, house) == []
        clock.advance(hours=1)
    assert set(rows(engine).values()) == {0}


def test_what_is_raised_is_said_within_the_hour_and_once(engine: Engine) -> None:
    clock, house = yard(engine)
    house.free_mib = 1500.0
    assert len(hour(engine, clock, house)) == 1
    assert hour(engine, clock, house) == []  # the same hour again
    for free_mib, made in ((1500.0, 0), (150.0, 1), (9000.0, 0), (9000.0, 0)):
        clock.advance(hours=1)
        house.free_mib = free_mib
        assert len(hour(engine, clock, house)) == made, free_mib
    with Session(engine) as session:
        said = session.execute(select(MessageRow.slot, MessageRow.subject).order_by(MessageRow.id)).all()
        assert [tuple(row) for row in said] == [
            ("2027-03-02T12", "Disk low: saltmarsh-yard"),
            ("2027-03-02T14", "Worse: disk full: saltmarsh-yard"),
        ]
        assert ledger.standing(session) == []
        assert [view.topic for view in ledger.closed(session, 9)] == [
            "disk"
        ]  # the battery is the night's to judge


def test_the_end_is_told_by_the_night(engine: Engine) -> None:
    clock, house = yard(engine)
    clock.now = NOON.replace(day=7)  # a Sunday; ends are Monday's
    boxes.looked_until(engine, clock.now.date())
    house.free_mib = 1500.0
    hour(engine, clock, house)
    clock.advance(hours=1)
    house.free_mib = 9000.0
    hour(engine, clock, house)
    clock.now = NOON.replace(day=8, hour=5, minute=10)
    boxes.hear(engine, clock())
    saying = Saying(clock=clock, rng=np.random.default_rng(1), base_url="http://x", zone="UTC")
    messages.run_night(engine, saying, look_at="05:00")
    assert [row.subject for row in boxes.messages_of(engine)][-1] == "Over: disk low: saltmarsh-yard"


def test_an_hour_leaves_the_nights_own_unsaid(engine: Engine) -> None:
    """A night in the making is said at its end, not by the hour that falls into it."""
    clock, house = yard(engine)
    boxes.looked_until(engine, NOON.date() - timedelta(days=1))
    boxes.hear(engine, NOON - timedelta(days=2))
    saying = Saying(clock=clock, rng=np.random.default_rng(1), base_url="http://x", zone="UTC")
    from server.service import nightly

    nightly.run_due(engine, clock=clock, look_at="05:00", zone="UTC")
    house.free_mib = 1500.0
    assert len(hour(engine, clock, house)) == 1
    assert boxes.messages_of(engine)[0].subject == "Disk low: saltmarsh-yard"
    messages.say(engine, saying, looked=True)
    assert boxes.messages_of(engine)[1].subject.startswith("Not heard: Door 0")


def test_the_ledger_is_what_its_hours_found(engine: Engine) -> None:
    clock, house = yard(engine)
    for free_mib in (1500.0, 150.0, 2500.0, 1500.0):
        house.free_mib = free_mib
        hour(engine, clock, house)
        clock.advance(hours=1)
    with session_of(engine) as session:
        assert rebuilding.differences(session) == []


def test_hours_of_a_clock_that_ran_ahead_are_taken_back(engine: Engine) -> None:
    clock, house = yard(engine)
    house.free_mib = 1500.0
    hour(engine, clock, house)
    clock.advance(hours=5)
    house.free_mib = 150.0
    hour(engine, clock, house)
    clock.advance(hours=-4)
    with session_of(engine) as session:
        assert rebuilding.void_ahead(session, slot="2027-03-02", at=clock()) == ["2027-03-02T17"]
        kept = session.scalars(select(InspectionRow.slot).where(InspectionRow.status == "done"))
        assert list(kept) == ["2027-03-02T12"]
