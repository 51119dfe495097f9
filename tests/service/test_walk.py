"""Readings that come after nights which rest on them: these are looked at anew, bounded, and said once."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import Engine, delete, select, update
from sqlalchemy.orm import Session

from server.alerts.tables import AlertEventRow, AlertRow
from server.database import open_engine
from server.doors.register import add_door, enrol_node, find_door
from server.doors.tables import Node
from server.inspection import late
from server.inspection.said import Said, said_of
from server.inspection.values import DoorInputs, GaugeDays
from server.readings.tables import DayShut
from server.schema import upgrade
from server.service import nightly
from tests.fakes.clock import HandClock
from tests.inspection.doors import HUNG, Truth, made_inputs, missing, one_joint
from tests.inspection.stored import ENROLLED, store

pytestmark = pytest.mark.usefixtures("fits_once")

ZONE = "Europe/London"
TURNS = made_inputs(Truth(years=0.5, turn_mrad_per_year=1.2), one_joint())
SILENT = (120, 151)


def hung(engine: Engine, inputs: DoorInputs, *, until: int) -> None:
    """A door with these days up to one, of which its box was heard last."""
    asked = one_joint()
    with Session(engine) as session, session.begin():
        enrol_node(session, asked.site, asked.built.node, kind="tracked", zone=ZONE, now=HUNG)
        store(session, add_door(session, asked.built, now=ENROLLED), missing(inputs, until, 10_000))
        session.execute(update(Node).values(last_heard_ms=round(at(until + 60).now.timestamp() * 1000)))


def came(engine: Engine, inputs: DoorInputs, start: int, stop: int) -> None:
    """Days [start, stop) of the gauges come later; their air was there."""
    late_days = (inputs.day >= start) & (inputs.day < stop)
    nothing = np.full(inputs.day.size, np.nan)
    gauges = {
        name: GaugeDays(median=np.where(late_days, one.median, np.nan), n=one.n)
        for name, one in inputs.gauges.items()
    }
    late_ones = replace(inputs, gauges=gauges, temp_c=nothing, rh_pct=nothing)
    with Session(engine) as session, session.begin():
        store(session, find_door(session, "north"), late_ones)


def at(day: int) -> HandClock:
    return HandClock((HUNG + timedelta(days=day)).replace(hour=9))


def night_of(day: int) -> str:
    return (HUNG.date() + timedelta(days=day)).isoformat()


def run(engine: Engine, day: int) -> list[str]:
    done = nightly.run_due(engine, clock=at(day), look_at="05:00", zone=ZONE)
    assert {one.status for one in done} <= {"done"}
    return [one.slot for one in done]


def said_last(engine: Engine) -> dict[tuple[str, str], Said]:
    with Session(engine) as session:
        return {(one.series, one.slot): replace(one, revision=1, at=ENROLLED) for one in said_of(session, 1)}


def raised(engine: Engine, topic: str = "joint") -> list[tuple[str, str, str | None]]:
    """Step, since when, and how it ended, of each alert of a topic."""
    with Session(engine) as session:
        rows = session.scalars(select(AlertRow).where(AlertRow.topic == topic).order_by(AlertRow.id))
        return [(row.step, row.raised, row.how) for row in rows]


def stale_day(engine: Engine) -> int | None:
    with Session(engine) as session:
        found = late.looked_of(session, 1)
    assert found is not None
    return found.stale_day


@pytest.fixture
def in_time(tmp_path: Path) -> Iterator[Engine]:
    """A yard beside the first, whose readings all came in time."""
    upgrade(url := f"sqlite:///{tmp_path / 'in-time.db'}")
    engine = open_engine(url)
    hung(engine, TURNS, until=152)
    yield engine
    engine.dispose()


def test_nights_are_said_as_if_their_readings_had_come_in_time(engine: Engine, in_time: Engine) -> None:
    hung(engine, missing(TURNS, *SILENT), until=152)
    run(engine, 150)
    assert raised(engine) == []
    assert raised(engine, "gauge") == [("gauge_out", night_of(137), None)] * 2
    came(engine, TURNS, *SILENT)
    nights = [night_of(day) for day in range(136, 151)]
    assert run(engine, 151) == [*nights, night_of(151)]
    run(in_time, 150)
    run(in_time, 151)
    assert said_last(engine) == said_last(in_time)
    assert raised(engine) == raised(in_time) == [("joint_watch", night_of(142), None)]
    assert raised(engine, "gauge") == [("gauge_out", night_of(137), "contradicted")] * 2
    with Session(engine) as session:
        of_joint = select(AlertEventRow).join(AlertRow, AlertRow.id == AlertEventRow.alert_id)
        events = session.scalars(of_joint.where(AlertRow.topic == "joint")).all()
        assert [(row.kind, row.slot, row.detail) for row in events] == [
            ("raised", night_of(151), f"since {night_of(142)}")
        ]
    assert run(engine, 152) == [night_of(152)]


def test_what_was_raised_and_never_held_is_contradicted(engine: Engine) -> None:
    """All days are others than those that the looks had, as by a new calibration."""
    hung(engine, TURNS, until=152)
    run(engine, 150)
    assert [step for step, _, _ in raised(engine)] == ["joint_watch"]
    with Session(engine) as session, session.begin():
        session.execute(delete(DayShut))
    came(engine, made_inputs(Truth(years=0.5), one_joint()), 0, 152)
    run(engine, 151)
    assert [(step, how) for step, _, how in raised(engine)] == [("joint_watch", "contradicted")]


def test_while_older_readings_come_in_nothing_is_looked_at_anew(engine: Engine) -> None:
    hung(engine, missing(TURNS, *SILENT), until=153)
    run(engine, 150)
    with Session(engine) as session, session.begin():
        session.execute(update(Node).values(status='{"st": "up", "pend": 300}'))
    came(engine, TURNS, *SILENT)
    assert run(engine, 151) == [night_of(151)]
    with Session(engine) as session, session.begin():
        session.execute(update(Node).values(status='{"st": "up", "pend": 0}'))
    assert run(engine, 152) == [night_of(day) for day in range(136, 153)]


def test_the_newest_sixty_at_once_and_the_others_by_the_look_back(tmp_path: Path) -> None:
    upgrade(url := f"sqlite:///{tmp_path / 'yard.db'}")
    engine = open_engine(url)
    hung(engine, missing(TURNS, 45, 50), until=122)
    run(engine, 15)
    run(engine, 120)
    assert stale_day(engine) is None
    came(engine, TURNS, 45, 50)
    assert run(engine, 121) == [night_of(day) for day in range(61, 122)]
    assert stale_day(engine) == 45
    assert run(engine, 122) == [night_of(122)]
    assert stale_day(engine) == 45
    again = nightly.look_back(engine, clock=at(122), zone=ZONE)
    assert [one.slot for one in again] == [night_of(day) for day in range(46, 123)]
    assert stale_day(engine) is None
    assert nightly.look_back(engine, clock=at(122), zone=ZONE) == []
    engine.dispose()


def test_a_look_of_now_leaves_the_nights_before_its_own_to_the_look_back(tmp_path: Path) -> None:
    upgrade(url := f"sqlite:///{tmp_path / 'yard.db'}")
    engine = open_engine(url)
    hung(engine, missing(TURNS, 20, 25), until=42)
    run(engine, 15)
    run(engine, 40)
    came(engine, TURNS, 20, 25)
    nightly.inspect_now(engine, "north", clock=at(40))
    assert stale_day(engine) == 20
    first = date.fromisoformat(night_of(21))
    assert date.fromisoformat(nightly.look_back(engine, clock=at(40), zone=ZONE)[0].slot) == first
    engine.dispose()
