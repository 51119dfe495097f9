"""Hourly means in the place of readings."""

import numpy as np
from sqlalchemy import Engine, text

from server.database import session_of
from server.doors.marks import add_mark
from server.readings.rollup import dirty_days, recompute_all
from server.readings.thinning import HOUR_MS, MIDDLE_MS, Thinned, hourly, thin_channel, thinned_before_ms
from tests.readings.gauges import DAY, JAN_1_MS, hang, put

MINUTE_MS = 60_000


def readings(engine: Engine, channel: int) -> list[tuple[int, float]]:
    with engine.connect() as connection:
        asked = text("SELECT t_ms, value FROM reading WHERE channel_id = :c ORDER BY t_ms")
        return [(ms, value) for ms, value in connection.execute(asked, {"c": channel})]


def thin(engine: Engine, channel: int, before_ms: int) -> Thinned:
    with session_of(engine) as session:
        return thin_channel(session, channel, before_ms=before_ms)


def test_hours_are_those_of_the_clock() -> None:
    ms = JAN_1_MS + np.array([0, HOUR_MS - 1, HOUR_MS, 5 * HOUR_MS], dtype=np.int64)
    moments, mean = hourly(ms, np.array([1.0, 2.0, 7.0, 8.0]), is_shut=False)
    assert moments.tolist() == [JAN_1_MS + hour * HOUR_MS + MIDDLE_MS for hour in (0, 1, 5)]
    assert mean.tolist() == [1.5, 7.0, 8.0]
    assert hourly(ms, np.array([1.0, 0.0, 1.0, 0.5]), is_shut=True)[1].tolist() == [0.0, 1.0, 0.0]


def test_what_is_later_stays_whole(engine: Engine) -> None:
    (gauge,) = hang(engine, ["%RH"])
    moments = [JAN_1_MS + n * 10 * MINUTE_MS for n in range(-12, 12)]
    put(engine, [(gauge, ms, float(n)) for n, ms in enumerate(moments)])
    assert thin(engine, gauge, JAN_1_MS) == Thinned(readings=12, means=2)
    found = readings(engine, gauge)
    means = [(JAN_1_MS - hour * HOUR_MS + MIDDLE_MS, mean) for hour, mean in ((2, 2.5), (1, 8.5))]
    assert found == means + [(ms, float(n)) for n, ms in enumerate(moments)][12:]


def test_twice_changes_nothing(engine: Engine) -> None:
    (gauge,) = hang(engine, ["%RH"])
    put(engine, [(gauge, JAN_1_MS + n * 7 * MINUTE_MS, 0.1 * n) for n in range(100)])
    thin(engine, gauge, JAN_1_MS + DAY)
    once = readings(engine, gauge)
    assert thin(engine, gauge, JAN_1_MS + DAY) == Thinned(readings=len(once), means=len(once))
    assert readings(engine, gauge) == once
    assert thin(engine, gauge, JAN_1_MS) == Thinned()


def test_rollups_stay_and_an_hour_half_open_is_not_shut(engine: Engine) -> None:
    gauge, shut = hang(engine, ["%RH", "count"], quantities=["air_rh", "shut"])
    moments = [JAN_1_MS + n * 10 * MINUTE_MS for n in range(18)]
    put(engine, [(gauge, ms, float(n)) for n, ms in enumerate(moments)])
    put(engine, [(shut, ms, float(n != 8)) for n, ms in enumerate(moments)])
    recompute_all(engine)
    sql = "SELECT channel_id, n, median FROM day_shut ORDER BY channel_id"
    with engine.connect() as connection:
        before = connection.execute(text(sql)).all()
    for channel in (shut, gauge):
        thin(engine, channel, JAN_1_MS + DAY)
    assert dirty_days(engine) == 0
    with engine.connect() as connection:
        assert connection.execute(text(sql)).all() == before
    put(engine, [(gauge, JAN_1_MS + 20 * HOUR_MS, 99.0)])  # an open door's reading makes the day anew
    recompute_all(engine)
    with engine.connect() as connection:
        assert tuple(connection.execute(text(sql)).all()[0]) == (gauge, 2, 8.5)  # the hours of 2.5 and 14.5


def test_the_latest_mark_says_how_far(engine: Engine) -> None:
    hang(engine, [])
    with session_of(engine) as session:
        assert thinned_before_ms(session.connection()) is None
        for kind, days in (("thinned", 0), ("thinned", 3), ("note", 9)):
            add_mark(session, 1, t_ms=JAN_1_MS + days * DAY, kind=kind, text="", by="hangtrue")
        assert thinned_before_ms(session.connection()) == JAN_1_MS + 3 * DAY
