"""Rollups against their readings: what is other is found."""

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.orm import Session

from server.readings.checking import channels_gone, channels_with_readings, days_to_check, wrong_days
from server.readings.rollup import recompute_all
from tests.readings.gauges import DAY, JAN_1, JAN_1_MS, hang, put


def yard(engine: Engine) -> int:
    """A gauge with two days of readings, rolled up."""
    (gauge,) = hang(engine, ["%RH"])
    put(engine, [(gauge, JAN_1_MS + n * 3_600_000, 50.0 + 0.1 * n) for n in range(48)])
    recompute_all(engine)
    return gauge


def wrong(engine: Engine, channel: int) -> list[int]:
    with Session(engine) as session:
        return wrong_days(session, channel, days_to_check(session, channel))


def test_a_sound_rollup_does_not_differ(engine: Engine) -> None:
    gauge = yard(engine)
    with Session(engine) as session:
        assert channels_with_readings(session) == [gauge]
        assert channels_gone(session) == []
        assert days_to_check(session, gauge) == [JAN_1, JAN_1 + 1]
    assert wrong(engine, gauge) == []


CHANGES = [
    "UPDATE rollup_day SET n = n + 1",
    "UPDATE rollup_day SET mean = mean + 1e-9",
    "UPDATE rollup_day SET m2 = m2 * 1.000001",
    "UPDATE rollup_day SET low = low - 1e-9",
    "UPDATE rollup_day SET last_ms = last_ms - 1",
    "DELETE FROM rollup_day",
    "UPDATE reading SET value = value + 1e-6",
    "DELETE FROM reading",
]


@pytest.mark.parametrize("change", CHANGES)
def test_what_was_changed_beside_us_is_found(engine: Engine, change: str) -> None:
    gauge = yard(engine)
    with engine.begin() as connection:
        connection.execute(text(change))
    assert wrong(engine, gauge) == [JAN_1, JAN_1 + 1]


def test_a_day_that_waits_is_not_looked_at(engine: Engine) -> None:
    gauge = yard(engine)
    put(engine, [(gauge, JAN_1_MS + 5, 40.0)])
    with Session(engine) as session:
        assert days_to_check(session, gauge) == [JAN_1 + 1]


def test_readings_of_a_channel_that_is_gone_are_found(engine: Engine) -> None:
    yard(engine)
    put(engine, [(99, JAN_1_MS + DAY, 1.0)])
    with Session(engine) as session:
        assert channels_gone(session) == [99]
