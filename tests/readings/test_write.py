"""The hot path and the journals: once, and in any order."""

import json
import random
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, select

from sensors.message.statement import spans_of, statement_ranges
from server.database import session_of
from server.readings import journals
from server.readings.months import ensure_months, month_of, start_ms
from server.readings.tables import DirtyDay, JournalSpan
from server.readings.write import (
    BLOCK,
    Batch,
    Row,
    days_of,
    insert_new,
    mark_dirty,
    stored_stamps,
    stored_values,
)
from tests.fakes.clock import HandClock
from tests.readings.gauges import DAY, JAN_1, JAN_1_MS, hang

STATEMENTS = Path(__file__).parents[1] / "messages" / "statements.jsonl"
CASES = [json.loads(line) for line in STATEMENTS.read_text("utf-8").splitlines()]


@pytest.mark.parametrize("count", [1, BLOCK - 1, BLOCK, 2 * BLOCK + 7])
def test_what_is_new_is_counted(engine: Engine, count: int) -> None:
    ensure_months(engine, [JAN_1_MS], set())
    rows: list[Row] = [(1, JAN_1_MS + number, 0.5 * number) for number in range(count)]
    instants = [(1, number, JAN_1_MS + number, 2) for number in range(count)]
    with session_of(engine) as session:
        connection = session.connection()
        assert insert_new(connection, Batch(readings=rows, instants=instants)) == (count, count)
        more: list[Row] = [*rows, (2, JAN_1_MS, 1.0)]
        assert insert_new(connection, Batch(readings=more, instants=instants)) == (1, 0)
        assert stored_values(connection, [row[:2] for row in rows]) == {row[:2]: row[2] for row in rows}
        assert stored_stamps(connection, [(1, 0), (9, 9)]) == {(1, 0): JAN_1_MS}


def test_a_stored_value_is_never_changed(engine: Engine) -> None:
    ensure_months(engine, [JAN_1_MS], set())
    with session_of(engine) as session:
        connection = session.connection()
        for value in (1.0, 2.0):
            insert_new(connection, Batch(readings=[(1, JAN_1_MS, value)], instants=()))
        assert stored_values(connection, [(1, JAN_1_MS)]) == {(1, JAN_1_MS): 1.0}


def test_days_that_readings_touch() -> None:
    inside: list[Row] = [(1, JAN_1_MS, 0.0), (2, JAN_1_MS + DAY - 1, 0.0)]
    assert days_of(inside) == {(1, JAN_1), (2, JAN_1)}
    assert days_of([*inside, (1, JAN_1_MS + DAY, 0.0)]) == {(1, JAN_1), (2, JAN_1), (1, JAN_1 + 1)}
    assert days_of([(1, JAN_1_MS, 0.0), (1, JAN_1_MS - 1, 0.0), (1, JAN_1_MS, 0.0)]) == {
        (1, JAN_1),
        (1, JAN_1 - 1),
    }
    assert days_of([]) == set()


def test_a_mark_is_written_anew_once_a_minute(engine: Engine) -> None:
    """A rewrite costs a page of the log each time, and days are rolled up by the minute of their mark."""
    found = []
    for touched_ms in (JAN_1_MS + 1, JAN_1_MS + 59_999, JAN_1_MS + 60_000, JAN_1_MS + 1):
        with session_of(engine) as session:
            mark_dirty(session.connection(), [(1, JAN_1)], touched_ms=touched_ms)
            found.append(session.execute(select(DirtyDay.touched)).scalar_one() - JAN_1_MS)
    assert found == [1, 1, 60_000, 1]


def test_months_begin_and_end_where_the_calendar_says() -> None:
    assert month_of(JAN_1_MS) == (2026, 1)
    assert month_of(JAN_1_MS - 1) == (2025, 12)
    assert start_ms((2026, 1)) == JAN_1_MS
    assert start_ms((2024, 3)) - start_ms((2024, 2)) == 29 * DAY


def test_months_are_made_once_and_hold_their_ends(engine: Engine) -> None:
    known: set[tuple[int, int]] = set()
    moments = [JAN_1_MS - 1, JAN_1_MS, JAN_1_MS + 31 * DAY - 1, JAN_1_MS + 31 * DAY]
    ensure_months(engine, moments, known)
    ensure_months(engine, moments, set())
    with session_of(engine) as session:
        rows: list[Row] = [(1, ms, 0.0) for ms in moments]
        assert insert_new(session.connection(), Batch(readings=rows, instants=())) == (4, 0)
    if engine.dialect.name == "postgresql":
        assert known == {(2025, 12), (2026, 1), (2026, 2)}


def merged(engine: Engine, groups: list[dict[int, list[int]]]) -> dict[int, list[tuple[int, int]]]:
    """The stored runs of each journal after these groups."""
    for group in groups:
        with session_of(engine) as session:
            journals.merge_spans(session.connection(), group)
    with session_of(engine) as session:
        ids = sorted(set(session.scalars(select(JournalSpan.journal_id))))
        return {one: journals.spans(session.connection(), one) for one in ids}


def test_runs_are_merged_in_any_order(engine: Engine) -> None:
    rng = random.Random(7)
    seqs = {journal: rng.sample(range(1, 120), 90) for journal in (1, 2, 3)}
    groups = [{one: seqs[one][at : at + 9] for one in seqs} for at in range(0, 90, 9)]
    assert merged(engine, groups) == {one: spans_of(seqs[one]) for one in seqs}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_statement_of_the_stored_runs(engine: Engine, case: dict[str, Any], clock: HandClock) -> None:
    """The published cases, each through the database, one instant at a time, newest first."""
    hang(engine, [])
    with session_of(engine) as session:
        journal_id = journals.journal_ids(session.connection(), [(1, "7c1e90ab")], now=clock())[1, "7c1e90ab"]
        for seq in reversed(case["stored"]):
            journals.merge_spans(session.connection(), {journal_id: [seq]})
        journals.move_tail(session.connection(), journal_id, case["tail"] or 1)
        spans = journals.spans(session.connection(), journal_id)
        upto, have = statement_ranges(spans, journals.tail(session.connection(), journal_id))
    assert (upto, [list(span) for span in have]) == (case["upto"], case["have"])
