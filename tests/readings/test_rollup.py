"""Rollups equal a recomputation from the readings, whatever the order in which those came."""

import numpy as np
import pytest
from sqlalchemy import Engine, text

from server.database import session_of
from server.readings import store
from server.readings.calibration import CalibrationRecord, add
from server.readings.rollup import SLICE, dirty_days, medians, recompute, recompute_all, rolled
from server.readings.write import Batch, Row, insert_new, mark_dirty
from tests.fakes.clock import HandClock
from tests.readings.gauges import DAY, JAN_1, JAN_1_MS, hang, put

HOUR_MS = 3_600_000


def stored(engine: Engine, table: str, columns: str) -> dict[tuple[int, int], tuple[float, ...]]:
    """Rows of a rollup by channel and day."""
    sql = text(f"SELECT channel_id, day, {columns} FROM {table}")  # noqa: S608  (names of our own tables)
    with engine.connect() as connection:
        return {(row[0], row[1]): tuple(row[2:]) for row in connection.execute(sql)}


def test_rollups_are_what_numpy_says_of_the_readings(engine: Engine) -> None:
    """Random packs in random order, rolled up now and then in between (law I7)."""
    rng = np.random.default_rng(1)
    channels = hang(engine, ["%RH", "Cel"])
    moments = JAN_1_MS + np.sort(rng.choice(5 * DAY, 400, replace=False))
    rows: list[Row] = [
        (channels[n % 2], int(ms), float(rng.normal(50.0, 9.0))) for n, ms in enumerate(moments)
    ]
    for pack in rng.permutation(40):
        put(engine, rows[10 * pack : 10 * pack + 10])
        if rng.random() < 0.3:
            recompute(engine, budget_s=0.001, now_ms=2)
    recompute_all(engine)
    assert dirty_days(engine) == 0
    found = stored(engine, "rollup_day", "n, low, high, first_ms, last_ms, mean, m2")
    keys = {(channel, ms // DAY) for channel, ms, _ in rows}
    assert found.keys() == keys
    for key in keys:
        mine = [(ms, value) for channel, ms, value in rows if (channel, ms // DAY) == key]
        values = np.array([value for _, value in mine])
        exact = (len(mine), values.min(), values.max(), mine[0][0], mine[-1][0])
        assert found[key][:5] == exact
        assert found[key][5] == pytest.approx(np.mean(values), rel=1e-12)
        assert found[key][6] == pytest.approx(np.var(values) * len(mine), rel=1e-12, abs=1e-12)


def mark_while_rolled_up(engine: Engine) -> tuple[int, dict[tuple[int, int], tuple[float, ...]]]:
    """A reading and its mark, uncommitted while the day is rolled up: days left then, and the days at last.

    On PostgreSQL in two transactions at once; SQLite has one writer, so there one after the other.
    """
    (gauge,) = hang(engine, ["%RH"])
    put(engine, [(gauge, JAN_1_MS, 40.0)])
    left = 1
    with engine.connect() as collecting:
        insert_new(collecting, Batch(readings=[(gauge, JAN_1_MS + 1, 50.0)], instants=()))
        mark_dirty(collecting, [(gauge, JAN_1)], touched_ms=2)
        if engine.dialect.name == "postgresql":
            left = recompute(engine, budget_s=1.0, now_ms=2)
        collecting.commit()
    recompute_all(engine)
    return left, stored(engine, "rollup_day", "n, mean")


def test_a_mark_made_while_the_day_is_rolled_up_is_not_lost(engine: Engine) -> None:
    left, days = mark_while_rolled_up(engine)
    assert left == 1
    assert list(days.values()) == [(2, 45.0)]


def test_a_mark_that_does_not_take_its_row_is_lost(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """The mutant: DO NOTHING instead of DO UPDATE. The test above must see it, where writers are many."""
    monkeypatch.setattr("server.readings.write._TOUCH", "ON CONFLICT DO NOTHING")
    left, days = mark_while_rolled_up(engine)
    is_lost = engine.dialect.name == "postgresql"
    assert (left, list(days.values())) == ((0, [(1, 40.0)]) if is_lost else (1, [(2, 45.0)]))


def test_m2_is_sound_far_from_zero() -> None:
    """Exact by hand: 1e9 + (1, 2, 3) has a sum of squared deviations of 2."""
    span, ms, value = np.zeros(3, np.int64), np.array([1, 2, 3]), np.array([1e9 + 1, 1e9 + 2, 1e9 + 3])
    made = rolled(span, ms, value)
    assert (made.n.tolist(), made.mean.tolist(), made.m2.tolist()) == ([3], [1e9 + 2], [2.0])


def test_medians_are_those_of_numpy() -> None:
    rng = np.random.default_rng(3)
    span = np.repeat(np.arange(40), rng.integers(1, 8, 40))
    value = rng.normal(size=len(span))
    spans, found = medians(span, value)
    assert spans.tolist() == list(range(40))
    assert found.tolist() == [np.median(value[span == one]) for one in range(40)]


def test_day_shut_counts_the_shut_door_alone(engine: Engine) -> None:
    gauge, shut = hang(engine, ["%RH", "/"], quantities=["air_rh", "shut"])
    times = [JAN_1_MS + hour * HOUR_MS for hour in range(5)]
    put(engine, [(gauge, ms, float(n)) for n, ms in enumerate(times)])
    # open at 1, nothing told at 3
    put(engine, [(shut, times[0], 1.0), (shut, times[1], 0.0), (shut, times[2], 1.0), (shut, times[4], 1.0)])
    recompute_all(engine)
    found = stored(engine, "day_shut", "n, median, low, high")
    assert found[gauge, JAN_1] == (3, 2.0, 0.0, 4.0)


def test_late_word_of_the_shutting_marks_the_day_of_every_channel(engine: Engine) -> None:
    gauge, shut = hang(engine, ["%RH", "/"], quantities=["air_rh", "shut"])
    put(engine, [(gauge, JAN_1_MS, 40.0)])
    recompute_all(engine)
    assert stored(engine, "day_shut", "n") == {}
    put(engine, [(shut, JAN_1_MS, 1.0)])
    recompute_all(engine)
    assert stored(engine, "day_shut", "n") == {(gauge, JAN_1): (1,), (shut, JAN_1): (1,)}


def test_a_door_without_a_shut_channel_counts_all(engine: Engine) -> None:
    (gauge,) = hang(engine, ["%RH"])
    put(engine, [(gauge, JAN_1_MS + n, float(n)) for n in range(4)])
    recompute_all(engine)
    assert stored(engine, "day_shut", "n, median")[gauge, JAN_1] == (4, 1.5)


def test_a_new_calibration_is_rolled_up(engine: Engine, clock: HandClock) -> None:
    (gauge,) = hang(engine, ["/"])
    put(engine, [(gauge, JAN_1_MS + n, 0.25 * n) for n in range(3)])
    recompute_all(engine)
    record = CalibrationRecord(
        channel="g", from_ms=JAN_1_MS, kind="linear", coefficients=((1.0, 4.0),), unit_out="mm", sigma=0.01
    )
    with session_of(engine) as session:
        made = add(session, gauge, record, now=clock)
    recompute_all(engine)
    assert stored(engine, "rollup_day", "mean, calibration_id") == {(gauge, JAN_1): (2.0, made)}


def test_a_day_whose_readings_are_gone_has_no_rollup(engine: Engine) -> None:
    (gauge,) = hang(engine, ["%RH"])
    put(engine, [(gauge, JAN_1_MS, 40.0)])
    recompute_all(engine)
    with session_of(engine) as session:
        session.execute(text("DELETE FROM reading"))
        mark_dirty(session.connection(), [(gauge, JAN_1)], touched_ms=3)
    recompute_all(engine)
    for table in ("rollup_day", "day_shut"):
        assert stored(engine, table, "n") == {}


def test_time_is_kept_to(engine: Engine) -> None:
    (gauge,) = hang(engine, ["%RH"])
    put(engine, [(gauge, JAN_1_MS + day * DAY, 40.0) for day in range(SLICE + 60)])
    now_s = iter([0.0, 0.0, 0.06])
    assert recompute(engine, budget_s=0.05, now_ms=2, monotonic=lambda: next(now_s)) == 60


def test_a_slice_is_no_longer_than_it_may_be_where_the_table_was_thought_empty(engine: Engine) -> None:
    """PostgreSQL plans by its statistics: at one row a choice within a join is made anew for each row.

    So it was in version 15 as long as the table held one page.
    """
    (gauge,) = hang(engine, ["%RH"])
    put(engine, [(gauge, JAN_1_MS, 40.0)])
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.execute(text("ANALYZE dirty_day"))
    put(engine, [(gauge, JAN_1_MS + day * DAY, 40.0) for day in range(1, SLICE + 40)])
    now_s = iter([0.0, 0.0, 0.06])
    assert recompute(engine, budget_s=0.05, now_ms=2, monotonic=lambda: next(now_s)) == 40


def test_reading_back(engine: Engine) -> None:
    gauge, other = hang(engine, ["%RH", "%RH"])
    times = [(day, hour) for day in (0, 1, 3) for hour in (0, 1, 5)]
    put(engine, [(gauge, JAN_1_MS + day * DAY + hour * HOUR_MS, 10.0 * day + hour) for day, hour in times])
    recompute_all(engine)
    with session_of(engine) as session:
        medians = store.day_medians(session, [gauge, other], JAN_1, JAN_1 + 3)
        means = store.day_means(session, [gauge, other], JAN_1, JAN_1 + 3)
        raw = store.raw(session, gauge, JAN_1_MS, JAN_1_MS + DAY)
        heard = store.heard(session, [gauge, other]), store.heard(session, [other])
        count = store.count(session)
    assert list(medians[gauge].day) == [JAN_1, JAN_1 + 1]
    assert (list(medians[gauge].median), list(medians[gauge].n)) == ([1.0, 11.0], [3, 3])
    assert (list(medians[gauge].low), list(medians[gauge].high)) == ([0.0, 10.0], [5.0, 15.0])
    assert list(means[gauge].mean) == [2.0, 12.0]
    assert len(medians[other].day) == len(means[other].day) == 0
    assert list(raw.value) == [0.0, 1.0, 5.0]
    assert raw.ms.dtype == np.int64
    assert heard == ((JAN_1_MS, JAN_1_MS + 3 * DAY + 5 * HOUR_MS), None)
    assert count == 9
