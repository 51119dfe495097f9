"""Nights that are due, the first look, catching up, a door that fails, boxes that are silent."""

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from server.alerts import ledger
from server.alerts.tables import AlertEventRow
from server.doors.tables import Door, Node
from server.errors import UnknownDoorError
from server.inspection import results
from server.inspection.tables import InspectionRow, SeriesResultRow
from server.service import nightly
from tests.fakes.clock import HandClock
from tests.inspection.doors import HUNG, Truth, one_joint
from tests.inspection.stored import stored_door

LINES = (Path(__file__).parents[1] / "published" / "alerts.jsonl").read_text("utf-8").splitlines()
SLOTS: list[dict[str, Any]] = [case for case in map(json.loads, LINES) if case["kind"] == "slots"]
OPENING = Truth(years=1.6, turn_mrad_per_year=0.45)
NOW = (HUNG + timedelta(days=int(OPENING.years * 365.25))).replace(hour=9)
ZONE = "Europe/London"


@pytest.mark.parametrize("case", SLOTS, ids=[case["name"] for case in SLOTS])
def test_slots_due(case: dict[str, Any]) -> None:
    last = None if case["last"] is None else date.fromisoformat(case["last"])
    due = nightly.slots_due(last, datetime.fromisoformat(case["now"]), case["zone"], case["at"])
    assert [day.isoformat() for day in due] == case["expect"]


def run(engine: Engine, clock: HandClock, door: str | None = None) -> list[nightly.LookDone]:
    return nightly.run_due(engine, clock=clock, look_at="05:00", zone=ZONE, force_door=door)


def hear(engine: Engine, at: datetime) -> None:
    with Session(engine) as session, session.begin():
        session.execute(update(Node).values(last_heard_ms=int(at.timestamp() * 1000)))


def test_first_look_takes_fifteen_nights_and_raises_once(engine: Engine) -> None:
    with Session(engine) as session, session.begin():
        door = stored_door(session, OPENING, one_joint())
    hear(engine, NOW)
    clock = HandClock(NOW)
    done = run(engine, clock)
    assert [one.slot for one in done] == [
        (NOW.date() - timedelta(days=back)).isoformat() for back in range(14, -1, -1)
    ]
    with Session(engine) as session:
        assert {row.slot for row in session.scalars(select(SeriesResultRow))} == {NOW.date().isoformat()}
        views = ledger.standing(session)
        assert [(view.step, view.about) for view in views] == [("joint_open", "north/lock-hinge")]
        assert views[0].since.date() == NOW.date() - timedelta(days=8)
        assert ledger.door_state(session, door.id).key == "open"
    assert run(engine, clock) == []


def test_a_night_done_again_changes_nothing(engine: Engine) -> None:
    with Session(engine) as session, session.begin():
        stored_door(session, OPENING, one_joint())
    hear(engine, NOW)
    clock = HandClock(NOW)
    nightly.inspect_now(engine, "north", clock=clock)
    before = events(engine)
    nightly.inspect_now(engine, "north", clock=clock)
    assert events(engine) == before
    assert [kind for kind, _ in before] == ["raised"]


def events(engine: Engine) -> list[tuple[str, str]]:
    with Session(engine) as session:
        return [
            (row.kind, row.slot) for row in session.scalars(select(AlertEventRow).order_by(AlertEventRow.id))
        ]


def test_missed_nights_are_looked_at_in_order(engine: Engine) -> None:
    with Session(engine) as session, session.begin():
        stored_door(session, Truth(years=0.5), one_joint())
    clock = HandClock(HUNG + timedelta(days=150))
    run(engine, clock)
    clock.advance(days=3)
    assert [one.slot for one in run(engine, clock)] == [
        (HUNG.date() + timedelta(days=day)).isoformat() for day in (151, 152, 153)
    ]


def test_one_door_that_fails_is_told_and_stops_no_other(
    engine: Engine, caplog: pytest.LogCaptureFixture
) -> None:
    with Session(engine) as session, session.begin():
        north = stored_door(session, Truth(years=0.5))
        south = stored_door(session, Truth(years=0.5), one_joint("south"))
        break_built(session, north.id)
    clock = HandClock(HUNG + timedelta(days=150))
    done = run(engine, clock)
    assert {one.ref.rpartition("/")[2]: one.status for one in done} == {"north": "failed", "south": "done"}
    assert "could not look at saltmarsh-yard/north" in caplog.text
    with Session(engine) as session:
        look = results.last_look(session, north.id)
        assert look is not None
        assert look.status == "failed"
        assert results.results_of(session, south.id)


def break_built(session: Session, door_id: int) -> None:
    door = session.get_one(Door, door_id)
    tree = json.loads(door.built)
    tree["opening"]["kind"] = "tent"
    door.built = json.dumps(tree)


def test_a_silent_box_is_said_and_freezes_its_door(engine: Engine) -> None:
    with Session(engine) as session, session.begin():
        door = stored_door(session, OPENING, one_joint())
    hear(engine, NOW)
    clock = HandClock(NOW)
    run(engine, clock)
    clock.advance(days=2)
    run(engine, clock)
    with Session(engine) as session:
        steps = {view.step for view in ledger.standing(session)}
        assert steps == {"joint_open", "node_silent"}
        assert ledger.door_state(session, door.id).key == "not_heard"
    assert ("frozen", (NOW + timedelta(days=2)).date().isoformat()) in events(engine)
    hear(engine, clock.now + timedelta(hours=23))
    clock.advance(days=1)
    run(engine, clock)
    with Session(engine) as session:
        assert [view.step for view in ledger.standing(session)] == ["joint_open"]
    assert events(engine)[-1][0] == "thawed"


def test_a_door_never_heard_has_a_look_and_no_alert(engine: Engine) -> None:
    with Session(engine) as session, session.begin():
        door = stored_door(session, Truth(years=0.0), one_joint())
    run(engine, HandClock(HUNG + timedelta(days=40)))
    with Session(engine) as session:
        look = results.last_look(session, door.id)
        assert look is not None
        assert look.status == "done"
        assert results.results_of(session, door.id) == {}
        assert ledger.standing(session) == []
        assert ledger.door_state(session, door.id).key == "settling"


def test_a_look_of_another_night_keeps_nothing(engine: Engine) -> None:
    with Session(engine) as session, session.begin():
        stored_door(session, Truth(years=0.5), one_joint())
    found = nightly.looked_at_night(engine, "north", HUNG.date() + timedelta(days=100))
    assert max(one.facts["last_day"] for one in found.series) == int(HUNG.timestamp()) // 86_400 + 99  # type: ignore[type-var]  # day numbers
    with Session(engine) as session:
        assert session.scalars(select(InspectionRow)).all() == []


def test_an_unknown_door_is_refused(engine: Engine) -> None:
    with pytest.raises(UnknownDoorError):
        nightly.inspect_now(engine, "west", clock=HandClock(datetime(2026, 1, 1, tzinfo=UTC)))
