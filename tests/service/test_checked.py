"""Feeler checks, long looks and long runs by the service's own nights: what is stored, said and ended."""

import itertools
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import count

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from server.alerts import ledger, rebuilding
from server.database import session_of
from server.doors.checks import FeelerCheck, add_check
from server.doors.register import DoorHung
from server.inspection import look
from server.inspection.tables import InspectionRow
from server.readings.tables import DayShut
from server.service import nightly, overtime
from tests.fakes.clock import HandClock
from tests.inspection.doors import HUNG, HUNG_DAY, Truth, one_joint
from tests.inspection.stored import stored_door
from tests.service import boxes

DAY_MS = 86_400_000
GAUGE = "lock-hinge-top"


def morning(day: int) -> datetime:
    return (HUNG + timedelta(days=day)).replace(hour=9)


def looked(engine: Engine, day: int) -> list[nightly.LookDone]:
    """The night's look on the morning of a day since hanging."""
    boxes.hear(engine, morning(day))
    return nightly.run_due(engine, clock=HandClock(morning(day)), look_at="05:00", zone="Europe/London")


def felt(engine: Engine, door: DoorHung, day: int, gap_mm: float) -> None:
    t_ms = round(morning(day).timestamp() * 1000)
    check = FeelerCheck(
        gauge=GAUGE,
        t_ms=t_ms,
        values_mm=(gap_mm,) * 3,
        step_mm=0.05,
        enters=True,
        by="Anna",
        added_ms=t_ms,
    )
    with session_of(engine) as session:
        add_check(session, door, check, now=morning(day))


def standing(engine: Engine, topic: str) -> list[tuple[str, str]]:
    with Session(engine) as session:
        return [(view.step, view.say) for view in ledger.standing(session) if view.topic == topic]


def test_a_gauge_and_a_feeler_that_disagree_are_said_until_they_agree(engine: Engine) -> None:
    """The gauge drifts by 0.2 mm where the feeler finds nothing; then the feeler finds it too."""
    with session_of(engine) as session:
        door = stored_door(session, Truth(years=0.5, season_mm=0.0), one_joint())
        drifted = (DayShut.channel_id == door.channels[GAUGE].id) & (DayShut.day >= HUNG_DAY + 120)
        session.execute(update(DayShut).where(drifted).values(median=DayShut.median + 0.2))
    felt(engine, door, 100, 0.30)
    boxes.looked_until(engine, morning(139).date())
    felt(engine, door, 139, 0.30)
    assert standing(engine, "gauge") == []
    looked(engine, 140)
    ((step, said),) = standing(engine, "gauge")
    assert step == "gauge_off"
    assert said.startswith("Since the check of 10 June 2021 the gap went 0.2")
    for day in range(141, 148):  # a week on nothing is judged, and what stands goes on standing
        looked(engine, day)
    assert [one for one, _ in standing(engine, "gauge")] == ["gauge_off"]
    felt(engine, door, 147, 0.50)
    looked(engine, 148)
    assert standing(engine, "gauge") == []
    with Session(engine) as session:
        assert [view.how for view in ledger.closed(session, 9) if view.topic == "gauge"] == ["gone"]
        assert rebuilding.differences(session) == []


def test_a_check_of_tomorrow_is_not_known_tonight(engine: Engine) -> None:
    with session_of(engine) as session:
        door = stored_door(session, Truth(years=0.5), one_joint())
    felt(engine, door, 100, 0.30)
    felt(engine, door, 130, 0.90)
    found = nightly.looked_at_night(engine, "north", morning(130).date())
    (one,) = (one for one in found.findings if one.about == f"north/{GAUGE}")
    assert "feeler_gap_mm" not in one.evidence
    found = nightly.looked_at_night(engine, "north", morning(131).date())
    (one,) = (one for one in found.findings if one.about == f"north/{GAUGE}")
    assert one.evidence["feeler_moved_mm"] == pytest.approx(0.6)


def two_doors(engine: Engine, *, is_looked_at: bool = True) -> None:
    with session_of(engine) as session:
        stored_door(session, Truth(years=0.5), one_joint())
        stored_door(session, Truth(years=0.5), one_joint("south"))
    if is_looked_at:
        boxes.looked_until(engine, morning(150).date())


def without_end(*_asked: object, **_more: object) -> None:
    for _ in itertools.count():
        pass


def test_a_look_that_does_not_end_in_its_time_is_ended_and_told(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    two_doors(engine)
    monkeypatch.setattr(overtime, "ENDED_S", 0.02)
    monkeypatch.setattr(look, "watched_look", without_end)
    for day in (151, 152):
        assert {one.status for one in looked(engine, day)} == {"failed"}
    said = standing(engine, "look")
    assert [step for step, _ in said] == ["look_failed"] * 2
    assert said[0][1].startswith("The look at this door did not end on 2 nights running.")
    monkeypatch.undo()
    assert {one.status for one in looked(engine, 153)} == {"done"}
    assert standing(engine, "look") == []
    with Session(engine) as session:
        assert rebuilding.differences(session) == []


def test_a_look_that_ends_late_is_kept_and_told(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """No alarm is set for no time at all, and every look takes longer."""
    two_doors(engine)
    monkeypatch.setattr(overtime, "LOOK_S", 0.0)
    for day in (151, 152):
        done = looked(engine, day)
        assert {one.status for one in done} == {"done"}
        assert all(one.inspection.series for one in done)
    said = [sentence for _, sentence in standing(engine, "look")]
    assert len(said) == 2
    assert said[0].startswith("The look at this door took too long on 2 nights running:")
    with Session(engine) as session:
        assert rebuilding.differences(session) == []


class SlowClock:
    """So many minutes are gone each time it is asked."""

    def __init__(self, at: datetime, minutes: float) -> None:
        self.times: Iterator[datetime] = (at + timedelta(minutes=minutes * k) for k in count())

    def __call__(self) -> datetime:
        return next(self.times)


def test_what_half_an_hour_does_not_suffice_for_waits_for_the_next_run(engine: Engine) -> None:
    two_doors(engine)
    ran = [
        nightly.run_due(engine, clock=SlowClock(morning(151), 29), look_at="05:00", zone="Europe/London")
        for _ in range(3)
    ]
    assert [[one.ref.rpartition("/")[2] for one in done] for done in ran] == [["north"], ["south"], []]
    with Session(engine) as session:
        slots = session.scalars(select(InspectionRow.slot).where(InspectionRow.scope.like("door/%"))).all()
    assert slots.count(morning(151).date().isoformat()) == 2


def test_a_first_look_is_not_cut(engine: Engine) -> None:
    two_doors(engine, is_looked_at=False)
    done = nightly.run_due(engine, clock=SlowClock(morning(150), 29), look_at="05:00", zone="Europe/London")
    assert len(done) == 2 * nightly.FIRST_NIGHTS
