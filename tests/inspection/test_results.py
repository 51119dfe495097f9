"""Kept looks: whole, once a night, and the last results of each series."""

import threading

import numpy as np
import pytest
from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from server.database import session_of
from server.inspection import results
from server.inspection.look import look
from server.inspection.results import Slot
from server.inspection.tables import FindingRow, InspectionRow
from server.inspection.values import Finding, Inspection
from tests.fakes.clock import HandClock
from tests.inspection.doors import Truth, made_inputs, one_joint
from tests.inspection.stored import stored_door


def slot(night: str, clock: HandClock, *, door_id: int, status: str = "done") -> Slot:
    return Slot(
        scope=results.scope_of(door_id), slot=night, looked=clock(), until_ms=1, took_s=0.2, status=status
    )


def test_results_come_back(session: Session, clock: HandClock) -> None:
    door = stored_door(session, Truth(years=0.0), one_joint())
    inspection = look(made_inputs(Truth(years=2.1), one_joint()))
    results.save(session, inspection, slot("2026-01-01", clock, door_id=door.id), door_id=door.id)
    found = results.results_of(session, door.id)
    assert list(found) == ["opening:lock-hinge", "turn:lock-hinge"]
    for one in inspection.series:
        kept = found[one.key]
        assert (kept.slot, kept.status, kept.rate, kept.low, kept.high) == (
            "2026-01-01",
            one.status,
            one.rate,
            one.low,
            one.high,
        )
        assert kept.facts == one.facts
        assert kept.parts is not None
        assert one.parts is not None
        np.testing.assert_array_equal(kept.parts.day, one.parts.day)
        np.testing.assert_allclose(kept.parts.stays, one.parts.stays, rtol=1e-6)
    session.expire_all()
    some = results.results_of(session, door.id, with_parts=lambda key: key.startswith("turn:"))
    assert {key: one.parts is not None for key, one in some.items()} == {
        "opening:lock-hinge": False,
        "turn:lock-hinge": True,
    }
    assert some["opening:lock-hinge"].facts == found["opening:lock-hinge"].facts
    assert results.findings_of(session, results.scope_of(door.id), "2026-01-01") == list(inspection.findings)


def test_a_night_is_kept_once_and_results_are_replaced(session: Session, clock: HandClock) -> None:
    door = stored_door(session, Truth(years=0.0), one_joint())
    whole = look(made_inputs(Truth(years=1.2), one_joint()))
    for night in ("2026-01-01", "2026-01-01", "2026-01-02"):
        results.save(session, whole, slot(night, clock, door_id=door.id), door_id=door.id)
    results.save(
        session, Inspection(findings=()), slot("2026-01-03", clock, door_id=door.id, status="failed")
    )
    assert session.scalar(select(func.count()).select_from(InspectionRow)) == 3
    kept = session.scalar(select(func.count()).select_from(FindingRow))
    assert kept == 2 * len(whole.findings) > 0
    assert {one.slot for one in results.results_of(session, door.id).values()} == {"2026-01-02"}
    last = results.last_look(session, door.id)
    assert last is not None
    assert (last.slot, last.status, last.looked) == ("2026-01-03", "failed", clock())
    assert results.last_slot(session, results.scope_of(door.id)) == "2026-01-02"


def test_before_the_first_look(session: Session) -> None:
    assert results.results_of(session, 1) == {}
    assert results.last_look(session, 1) is None
    assert results.last_slot(session, "door/1") is None


@pytest.mark.parametrize("bad", [float("nan"), float("inf")])
def test_a_number_that_is_none_is_kept_as_none(session: Session, clock: HandClock, bad: float) -> None:
    finding = Finding(topic="leaf", about="north", evidence={"droop_stays_mm": bad})
    results.save(session, Inspection(findings=(finding,)), slot("2026-01-01", clock, door_id=1))
    assert results.findings_of(session, "door/1", "2026-01-01")[0].evidence == {"droop_stays_mm": None}


def test_two_runs_that_keep_one_night_take_turns(engine: Engine, clock: HandClock) -> None:
    """The second waits for the first to commit, and takes its place."""
    with session_of(engine) as first:
        door = stored_door(first, Truth(years=0.0), one_joint())
    night = slot("2026-01-01", clock, door_id=door.id)
    begun, failed = threading.Event(), list[BaseException]()

    def second() -> None:
        begun.set()
        try:
            with session_of(engine) as session:
                results.save(session, Inspection(findings=()), night)
        except BaseException as error:  # noqa: BLE001  # told below, whatever it is
            failed.append(error)

    with session_of(engine) as first:
        results.save(first, Inspection(findings=()), night)
        thread = threading.Thread(target=second)
        thread.start()
        assert begun.wait(10)
        thread.join(0.3)
        assert thread.is_alive()
    thread.join(20)
    assert failed == []
    with Session(engine) as session:
        assert [row.revision for row in session.scalars(select(InspectionRow))] == [2]
