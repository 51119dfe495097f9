"""Nights of a yard run by the service's own parts, and what they leave written."""

from datetime import timedelta

import numpy as np
from sqlalchemy import Engine, text
from sqlalchemy.orm import Session

from server.alerts.delivery.tables import PostRow
from server.database import session_of
from server.service import messages
from server.service.messages import Saying
from tests.fakes.clock import HandClock
from tests.inspection.doors import Truth, one_joint
from tests.inspection.stored import stored_door
from tests.service import boxes

LOOK_AT = "05:00"


def saying(clock: HandClock, seed: int = 0) -> Saying:
    """How messages are made, by the hand clock."""
    return Saying(
        clock=clock,
        rng=np.random.default_rng([seed, int(clock().timestamp())]),
        base_url="http://doors.yard.lan",
        zone="Europe/London",
    )


def night(engine: Engine, clock: HandClock) -> None:
    """A night's run."""
    messages.run_night(engine, saying(clock), look_at=LOOK_AT)


def opened(engine: Engine) -> HandClock:
    """A door whose joint opens, a post, and the morning after its last day."""
    truth = Truth(years=1.6, turn_mrad_per_year=0.45)
    with session_of(engine) as session:
        door = stored_door(session, truth, one_joint())
        session.add(PostRow(channel="hook", least="note", house=1, quiet="21:00-06:00"))
    clock = HandClock((door.hung + timedelta(days=int(truth.years * 365.25))).replace(hour=9))
    boxes.hear(engine, clock())
    return clock


def written(engine: Engine) -> list[tuple[str, ...]]:
    """The ledger and the messages without numbers, keys and times."""
    queries = (
        "SELECT topic, about, raised, step, worst, ended, how FROM alert ORDER BY topic, about, raised",
        "SELECT slot, kind, step, detail, evidence FROM alert_event ORDER BY slot, kind, step, detail",
        "SELECT topic, about, slot, counts FROM condition ORDER BY topic, about, slot",
        "SELECT scope, slot, status FROM inspection ORDER BY scope, slot",
        "SELECT e.kind, e.step, d.waits, d.message_id IS NULL FROM due d"
        " JOIN alert_event e ON e.id = d.event_id ORDER BY e.kind, e.step",
        "SELECT slot, kind, subject, body, state FROM message ORDER BY slot, subject",
        "SELECT slot FROM composed ORDER BY slot",
    )
    with Session(engine) as session:
        return [tuple(map(str, row)) for query in queries for row in session.execute(text(query))]
