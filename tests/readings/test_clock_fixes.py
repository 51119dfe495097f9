"""Times of a drifting clock: the published cases, exactly; keys stay, what is read moves."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine, text

from sensors.message.clock import Fix
from server.database import session_of
from server.readings import clock_fixes, journals, store
from server.readings.calibration import CalibrationRecord, add
from server.readings.clock_fixes import moved
from server.readings.months import ensure_months
from server.readings.rollup import dirty_days, recompute_all
from server.readings.write import Batch, days_of, insert_new, mark_dirty
from tests.fakes.clock import HandClock
from tests.readings.gauges import DAY, JAN_1, JAN_1_MS, MADE, hang

CASES = [
    json.loads(line)
    for line in (Path(__file__).parents[1] / "messages" / "clock.jsonl").read_text("utf-8").splitlines()
]
UTC, DRIFT = 0, 1
HOUR_MS = 3_600_000


@pytest.mark.parametrize("case", [one for one in CASES if not one["suspect"]], ids=lambda one: one["name"])
def test_a_time_is_put_right_as_published(case: dict[str, Any]) -> None:
    """The published cases of the wire; a time outside the span stays."""
    fix: Fix = tuple(case["clk"])
    ms = np.array([case["ms"]], dtype=np.int64)
    wanted = case["ms"] if case["corrected"] is None else case["corrected"]
    assert moved(ms, np.array([True]), [fix]).tolist() == [wanted]
    assert moved(ms, np.array([False]), [fix]).tolist() == [case["ms"]]


def test_a_product_beyond_64_bits_is_exact() -> None:
    """An RC oscillator over ten years, by whole numbers of Python."""
    t0, t1, off = JAN_1_MS, JAN_1_MS + 3650 * DAY, 15_768_000_001
    ms = t0 + np.array([0, 1, 7 * DAY + 1, 3649 * DAY + 12345], dtype=np.int64)
    wanted = [one + off * (one - t0) // (t1 - t0) for one in ms.tolist()]
    assert moved(ms, np.ones(4, dtype=np.bool_), [(t0, t1, off)]).tolist() == wanted


def test_the_first_correction_of_an_instant_stands() -> None:
    ms, all_of_it = np.array([JAN_1_MS + 10]), np.array([True])
    fixes = [(JAN_1_MS, JAN_1_MS + 100, 50), (JAN_1_MS, JAN_1_MS + 100, 70)]
    assert moved(ms, all_of_it, fixes).tolist() == [JAN_1_MS + 15]


def put(engine: Engine, gauge: int, moments: Sequence[int], clock: int, *, first_seq: int = 1) -> None:
    """Store an instant of one reading at each moment, as the collector does."""
    ensure_months(engine, moments, set())
    with session_of(engine) as session:
        connection = session.connection()
        key = (1, "7c1e90ab")
        journal_id = journals.journal_ids(connection, [key], now=MADE)[key]
        rows = [(gauge, ms, float(n)) for n, ms in enumerate(moments)]
        instants = [(journal_id, first_seq + n, ms, clock) for n, ms in enumerate(moments)]
        insert_new(connection, Batch(readings=rows, instants=instants))
        days = days_of(rows)
        if clock == DRIFT:
            days |= clock_fixes.days_of(connection, 1, rows)
        mark_dirty(connection, days, touched_ms=1)


def fix(engine: Engine, told: Fix, *, ppm: int = 200) -> None:
    """A node says how its clock drifted."""
    with session_of(engine) as session:
        connection = session.connection()
        key = (1, "7c1e90ab")
        journal_id = journals.journal_ids(connection, [key], now=MADE)[key]
        assert journals.add_clock_fix(connection, journal_id, told, ppm=ppm)
        assert not journals.add_clock_fix(connection, journal_id, told, ppm=ppm)
        clock_fixes.mark_days(connection, 1, told, touched_ms=2)


def read(engine: Engine, gauge: int, begin: int, end: int) -> list[tuple[int, float]]:
    with session_of(engine) as session:
        found = store.raw(session, gauge, begin, end)
    return list(zip(found.ms.tolist(), found.value.tolist(), strict=True))


def rollups(engine: Engine) -> dict[int, tuple[int, int, int]]:
    """Day -> n, first and last ms, of the one channel."""
    with engine.connect() as connection:
        rows = connection.execute(text("SELECT day, n, first_ms, last_ms FROM rollup_day"))
        return {day: (n, first, last) for day, n, first, last in rows}


# thirty days of drift, 500 s slow at the end: 200 ppm allow 520.4 s
SLOW: Fix = (JAN_1_MS - 30 * DAY, JAN_1_MS, 500_000)


def test_reading_back_moves_the_drifting_alone(engine: Engine) -> None:
    (gauge,) = hang(engine, ["%RH"])
    put(engine, gauge, [JAN_1_MS - DAY, JAN_1_MS - 60_000], DRIFT)
    put(engine, gauge, [JAN_1_MS - 30_000, JAN_1_MS + 5], UTC, first_seq=3)
    fix(engine, SLOW)
    shift = 500_000 * (29 * DAY) // (30 * DAY)
    late = 500_000 * (30 * DAY - 60_000) // (30 * DAY)
    assert read(engine, gauge, JAN_1_MS - 2 * DAY, JAN_1_MS + DAY) == [
        (JAN_1_MS - DAY + shift, 0.0),
        (JAN_1_MS - 30_000, 0.0),
        (JAN_1_MS + 5, 1.0),
        (JAN_1_MS - 60_000 + late, 1.0),
    ]
    # the span is of the right times, though the key of the last lies a day before it
    assert [value for _, value in read(engine, gauge, JAN_1_MS, JAN_1_MS + DAY)] == [1.0, 1.0]
    with engine.connect() as connection:
        keys = connection.execute(text("SELECT t_ms FROM reading ORDER BY t_ms")).scalars().all()
    assert keys == [JAN_1_MS - DAY, JAN_1_MS - 60_000, JAN_1_MS - 30_000, JAN_1_MS + 5]


def test_first_and_last_are_told_at_their_right_times(engine: Engine) -> None:
    """The last as sent is not the last once times are right, and the first is not where it was sent."""
    (gauge,) = hang(engine, ["%RH"])
    put(engine, gauge, [JAN_1_MS - DAY, JAN_1_MS - 60_000], DRIFT)
    put(engine, gauge, [JAN_1_MS - 30_000, JAN_1_MS + 5], UTC, first_seq=3)
    with session_of(engine) as session:
        assert store.heard(session, [gauge]) == (JAN_1_MS - DAY, JAN_1_MS + 5)
    fix(engine, SLOW)
    shift = 500_000 * (29 * DAY) // (30 * DAY)
    late = 500_000 * (30 * DAY - 60_000) // (30 * DAY)
    with session_of(engine) as session:
        found = store.heard(session, [gauge])
    assert found == (JAN_1_MS - DAY + shift, JAN_1_MS - 60_000 + late)


def test_a_correction_rolls_up_the_days_it_touches(engine: Engine) -> None:
    """A reading just before midnight belongs to the next day once its time is right."""
    (gauge,) = hang(engine, ["%RH"])
    put(engine, gauge, [JAN_1_MS - HOUR_MS, JAN_1_MS - 60_000], DRIFT)
    recompute_all(engine)
    assert rollups(engine) == {JAN_1 - 1: (2, JAN_1_MS - HOUR_MS, JAN_1_MS - 60_000)}
    fix(engine, SLOW)
    assert dirty_days(engine) == 2
    recompute_all(engine)
    one, other = (row[0] for row in read(engine, gauge, JAN_1_MS - DAY, JAN_1_MS + DAY))
    assert rollups(engine) == {JAN_1 - 1: (1, one, one), JAN_1: (1, other, other)}


def test_late_readings_mark_the_day_they_belong_to(engine: Engine) -> None:
    """The correction comes first, and the readings that it moves later."""
    (gauge,) = hang(engine, ["%RH"])
    fix(engine, SLOW)
    recompute_all(engine)
    put(engine, gauge, [JAN_1_MS - 60_000], DRIFT)
    recompute_all(engine)
    assert list(rollups(engine)) == [JAN_1]


def test_a_clock_that_was_reset_moves_nothing(engine: Engine) -> None:
    (gauge,) = hang(engine, ["%RH"])
    put(engine, gauge, [JAN_1_MS - 60_000], DRIFT)
    recompute_all(engine)
    fix(engine, (JAN_1_MS - DAY, JAN_1_MS, 500_000))
    assert read(engine, gauge, 0, 2**50) == [(JAN_1_MS - 60_000, 0.0)]


def test_another_node_is_left(engine: Engine) -> None:
    (gauge,) = hang(engine, ["%RH"])
    put(engine, gauge, [JAN_1_MS - 60_000], DRIFT)
    fix(engine, SLOW)
    with engine.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO node (id, site_id, name, kind, upload_s, ppm, enrolled, ack_ms) "
                "SELECT 7, site_id, 'other', kind, upload_s, ppm, enrolled, 0 FROM node"
            )
        )
        connection.execute(text("UPDATE channel SET node_id = 7"))
    assert read(engine, gauge, 0, 2**50) == [(JAN_1_MS - 60_000, 0.0)]


def test_a_calibration_holds_from_the_right_time_on(engine: Engine, clock: HandClock) -> None:
    (gauge,) = hang(engine, ["/"])
    put(engine, gauge, [JAN_1_MS - HOUR_MS, JAN_1_MS - 60_000], DRIFT)
    fix(engine, SLOW)
    recompute_all(engine)
    for from_ms, slope in ((JAN_1_MS - 9 * DAY, 1.0), (JAN_1_MS, 2.0)):
        record = CalibrationRecord(
            channel="g",
            from_ms=from_ms,
            kind="linear",
            coefficients=((7.0, slope),),
            unit_out="mm",
            sigma=0.01,
        )
        with session_of(engine) as session:
            add(session, gauge, record, now=clock)
        recompute_all(engine)
    with session_of(engine) as session:
        found = store.series(session, gauge, JAN_1_MS - DAY, JAN_1_MS + DAY)
    assert found.value.tolist() == [7.0, 9.0]
    with engine.connect() as connection:
        means = connection.execute(text("SELECT day, mean FROM rollup_day ORDER BY day")).all()
    assert [tuple(row) for row in means] == [(JAN_1 - 1, 7.0), (JAN_1, 9.0)]
