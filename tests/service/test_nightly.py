"""Nights that are due, the first look, catching up, a door that fails, boxes that are silent."""

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from server.alerts import ledger
from server.alerts.tables import AlertEventRow
from server.database import open_engine
from server.doors.marks import add_mark
from server.doors.tables import Door, Node
from server.errors import UnknownDoorError
from server.inspection import results, watching
from server.inspection.results import Slot
from server.inspection.said import said_of
from server.inspection.tables import InspectionRow, SaidRow, SeriesResultRow, SeriesWatchRow
from server.inspection.values import Finding, Inspection
from server.schema import upgrade
from server.service import nightly
from tests.fakes.clock import HandClock
from tests.inspection.doors import HUNG, Truth, one_joint
from tests.inspection.stored import stored_door

pytestmark = pytest.mark.usefixtures("fits_once")

ON_SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
"""What is decided from rows that the tests on both write and read too."""

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


@ON_SQLITE
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


@ON_SQLITE
def test_a_database_that_does_not_answer_once_costs_no_night(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of two doors alike one meets it every night: each says the same."""
    with Session(engine) as session, session.begin():
        north, south = (stored_door(session, OPENING, one_joint(name)) for name in ("north", "south"))
    plain, refused = results.save, list[str]()

    def save(session: Session, inspection: Inspection, slot: Slot, *, door_id: int | None = None) -> None:
        if slot.scope == results.scope_of(north.id) and slot.slot not in refused:
            refused.append(slot.slot)
            raise OperationalError("BEGIN IMMEDIATE", None, Exception("database is locked"))
        plain(session, inspection, slot, door_id=door_id)

    monkeypatch.setattr(results, "save", save)
    done = run(engine, HandClock(NOW))
    assert len(refused) == nightly.FIRST_NIGHTS
    assert {one.status for one in done} == {"done"}
    with Session(engine) as session:
        of_north, of_south = (
            [(one.series, one.day, one.rate, one.alarm) for one in said_of(session, door.id)]
            for door in (north, south)
        )
    assert of_north == of_south
    assert any(alarm for *_, alarm in of_north)


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


def test_what_the_house_is_found_with_reaches_the_ledger(engine: Engine) -> None:
    with Session(engine) as session, session.begin():
        stored_door(session, Truth(years=0.0), one_joint())
    hear(engine, NOW)
    asked: list[tuple[str, bool]] = []

    def also(_session: Session, site: str, _at_ms: int, is_now: bool) -> tuple[Finding, ...]:
        asked.append((site, is_now))
        return (Finding(topic="backup", about=site, evidence={"age_days": 9.0, "verified": True}),)

    nightly.run_due(engine, clock=HandClock(NOW), look_at="05:00", zone=ZONE, also=also)
    assert set(asked) == {("saltmarsh-yard", True)}
    with Session(engine) as session:
        assert [one.topic for one in ledger.standing(session)] == ["backup"]


@ON_SQLITE
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


def looked_at(engine: Engine, days: int) -> None:
    with Session(engine) as session, session.begin():
        stored_door(session, Truth(years=days / 365.25, turn_mrad_per_year=0.45), one_joint())


def rows(engine: Engine, model: type[SaidRow] | type[SeriesWatchRow]) -> list[Any]:
    with Session(engine) as session:
        return list(session.scalars(select(model)))


def at(day: int) -> HandClock:
    return HandClock((HUNG + timedelta(days=day)).replace(hour=9))


@ON_SQLITE
def test_a_watch_is_kept_and_gone_on_with(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    looked_at(engine, 380)
    run(engine, at(378))
    kept = [row for row in rows(engine, SeriesWatchRow) if row.series]
    assert sorted((row.series, row.kind, row.day) for row in kept) == [
        (series, kind, day)
        for series in ("opening:lock-hinge", "turn:lock-hinge")
        for kind, day in (("now", 377), ("point", 375), ("refit", 365))
    ]
    monkeypatch.setattr(watching, "began", None)  # a refit would fall over it
    (done,) = run(engine, at(379))
    assert done.status == "done"
    assert {row.day for row in rows(engine, SeriesWatchRow) if row.kind == "now"} == {378}


def test_each_night_is_said_once_and_a_late_mark_beside_it(engine: Engine) -> None:
    looked_at(engine, 600)
    nightly.inspect_now(engine, "north", clock=at(600))
    first = rows(engine, SaidRow)
    assert len(first) == 2 * 15
    nightly.inspect_now(engine, "north", clock=at(600))
    assert len(rows(engine, SaidRow)) == 2 * 15
    with Session(engine) as session, session.begin():
        t_ms = int((HUNG + timedelta(days=450)).timestamp() * 1000)
        add_mark(session, 1, t_ms=t_ms, kind="gauge-moved", text="lock-hinge-top moved.", by="maker")
    nightly.inspect_now(engine, "north", clock=at(600))
    again = rows(engine, SaidRow)
    assert {row.revision for row in again if row.series == "turn:lock-hinge"} == {1, 2}
    assert {row.id for row in first} < {row.id for row in again}


@ON_SQLITE
def test_a_dry_look_writes_nothing(engine: Engine) -> None:
    looked_at(engine, 380)
    run(engine, at(378))
    before = [(row.series, row.kind, row.day, row.state) for row in rows(engine, SeriesWatchRow)]
    said = len(rows(engine, SaidRow))
    found = nightly.looked_at_night(engine, "north", (HUNG + timedelta(days=380)).date())
    assert max(one.facts["last_day"] for one in found.series) == int(HUNG.timestamp()) // 86_400 + 379  # type: ignore[type-var]  # day numbers
    assert {one.facts["alarm"] for one in found.series} <= {True, False}
    assert [(row.series, row.kind, row.day, row.state) for row in rows(engine, SeriesWatchRow)] == before
    assert len(rows(engine, SaidRow)) == said


def test_readings_that_reach_further_back_are_looked_at_from_the_hanging_once(engine: Engine) -> None:
    looked_at(engine, 60)
    run(engine, at(60))
    before = events(engine)
    done = nightly.look_back(engine, clock=at(60), zone=ZONE)
    assert [one.slot for one in done] == [
        (HUNG.date() + timedelta(days=day)).isoformat() for day in range(1, 61)
    ]
    assert {one.status for one in done} == {"done"}
    assert nightly.look_back(engine, clock=at(60), zone=ZONE) == []
    assert events(engine) == before
    with Session(engine) as session:
        assert {row.slot for row in session.scalars(select(SeriesResultRow))} == {done[-1].slot}
    last_days = [max(int(str(one.facts["last_day"])) for one in look.inspection.series) for look in done]
    assert last_days == [int(HUNG.timestamp()) // 86_400 + day for day in range(60)]


@ON_SQLITE
def test_a_door_heard_since_its_looks_began_is_not_looked_at_back(engine: Engine) -> None:
    looked_at(engine, 10)
    run(engine, at(10))
    assert nightly.look_back(engine, clock=at(10), zone=ZONE) == []


@ON_SQLITE
def test_nothing_is_looked_at_back_while_readings_wait(engine: Engine) -> None:
    looked_at(engine, 60)
    run(engine, at(60))
    with Session(engine) as session, session.begin():
        session.execute(update(Node).values(status='{"st": "up", "pend": 300}'))
    assert nightly.look_back(engine, clock=at(60), zone=ZONE) == []


def test_from_its_hanging_is_as_each_night_was(tmp_path: Path) -> None:
    """Looked at night by night as they came, or all at once afterwards: the same was said."""
    upgrade(url := f"sqlite:///{tmp_path / 'yard.db'}")
    engine = open_engine(url)
    looked_at(engine, 372)
    for day in (362, 364, 366, 368, 370):
        run(engine, at(day))
    nightly.look_from_hanging(engine, "north", clock=at(370))
    said = rows(engine, SaidRow)
    assert {row.revision for row in said} == {1}
    assert len({(row.series, row.slot) for row in said}) == 2 * 370
    engine.dispose()
