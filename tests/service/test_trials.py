"""The trials of a night: after the doors, each by itself, a failing one stopping none."""

import logging
from datetime import UTC, datetime

import pytest
from sqlalchemy import Engine, select, text
from sqlalchemy.orm import Session

from server.alerts.tables import AlertRow
from server.database import session_of
from server.doors.tables import Node
from server.service import nightly
from server.service.trials import look_at_trials
from server.trials.store import declare, seal_trial
from server.trials.tables import TrialLookRow
from tests.fakes.clock import HandClock
from tests.inspection.doors import HUNG_DAY, Truth, one_joint
from tests.inspection.stored import stored_door
from tests.trials.yard import declaration

pytestmark = pytest.mark.usefixtures("fits_once")

SEALED = datetime(2021, 3, 2, 9, tzinfo=UTC)
NIGHT = HUNG_DAY + 401


def sealed(engine: Engine, *, door: str = "north", other: str = "south") -> str:
    clock = HandClock(SEALED)
    sides = {
        key: {"door": name, "version": 1, "joints": ["lock-hinge"], "moment_n_m": "70"}
        for key, name in (("a", door), ("b", other))
    }
    with session_of(engine) as session:
        given = declaration(pairs=[sides], starts_on="2021-03-02", horizon_days=2192)
        number = declare(session, given, by="M. Hale", clock=clock)
        return seal_trial(session, number, clock=clock, seen_until=None)


def looks(engine: Engine) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    with Session(engine) as session:
        for row in session.scalars(select(TrialLookRow).order_by(TrialLookRow.night)):
            found.setdefault(row.seal, []).append(row.night)
    return found


def test_each_trial_is_looked_at_once_a_night(engine: Engine) -> None:
    seals = {sealed(engine), sealed(engine, door="west", other="east")}
    assert len(look_at_trials(engine, NIGHT)) == 2
    assert look_at_trials(engine, NIGHT) == []
    assert looks(engine) == {seal: [NIGHT] for seal in seals}


def test_without_a_trial_there_is_nothing_to_do(engine: Engine) -> None:
    assert look_at_trials(engine, NIGHT) == []


def test_a_trial_that_fails_stops_no_other(engine: Engine, caplog: pytest.LogCaptureFixture) -> None:
    broken, whole = sealed(engine, door="west", other="east"), sealed(engine)
    forged = "INSERT INTO trial_record (seal, body, sealed, by) VALUES (:seal, '{}', :at, 'x')"
    with session_of(engine) as session:
        session.execute(text(forged), {"seal": "0" * 64, "at": SEALED})
    with caplog.at_level(logging.ERROR):
        done = look_at_trials(engine, NIGHT)
    assert len(done) == 2
    assert set(looks(engine)) == {broken, whole}
    assert "could not look at trial 00000000" in caplog.text


def test_a_gauge_that_an_alert_doubts_stops_the_comparison(engine: Engine) -> None:
    with session_of(engine) as session:
        doors = [stored_door(session, Truth(years=1.1), one_joint(name)) for name in ("north", "south")]
        node = session.get(Node, doors[0].node_id)
        assert node is not None
        session.add(
            AlertRow(
                site_id=node.site_id,
                topic="gauge",
                about="south/lock-hinge-top",
                door_id=doors[1].id,
                raised="2022-03-01",
                step="gauge_doubt",
                worst="gauge_doubt",
            )
        )
    sealed(engine)
    (one,) = look_at_trials(engine, NIGHT)
    assert (one.word, one.why) == ("not_to_be_compared", "gauge_in_doubt")


def test_the_nightly_run_takes_the_trials_after_its_last_door(engine: Engine) -> None:
    with session_of(engine) as session:
        stored_door(session, Truth(years=1.1), one_joint())
    seal = sealed(engine)
    now = datetime.fromtimestamp(NIGHT * 86_400, UTC).replace(hour=9)
    clock = HandClock(now)
    nightly.run_due(engine, clock=clock, look_at="05:00", zone="Europe/London", force_door="north")
    assert looks(engine) == {}
    clock.advance(days=1)
    nightly.run_due(engine, clock=clock, look_at="05:00", zone="Europe/London")
    assert looks(engine) == {seal: [NIGHT + 1]}
