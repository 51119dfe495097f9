"""Statements and states: what is said to a node, and what it says."""

import json
from dataclasses import replace

import pytest
from sqlalchemy import Engine, select

from sensors.message.statement import Statement, Status, read_statement, write_status
from server.doors.tables import Node
from server.intake.values import DownlinkValue
from tests.intake.yard import (
    ARRIVAL_MS,
    JOURNAL,
    NORTH,
    collect,
    collecting,
    enrol_world,
    north_pack,
    offer,
    rows,
    until,
)

UP = Status(
    state="up",
    t_ms=ARRIVAL_MS,
    journal=JOURNAL,
    head=9,
    tail=1,
    pending=0,
    held=0,
    stuck=0,
    lost=0,
    config_rev=1,
    generation=1,
    firmware="2.3.0",
    proto=1,
    battery_mv=2987,
    rssi_dbm=-67,
    boot=12,
    why="power",
    clock_fix=None,
    next_s=3600,
    errors=(),
)


def said(word: DownlinkValue) -> Statement:
    """The statement in a word to a node."""
    statement = read_statement(word.payload)
    assert statement is not None
    return statement


def node(engine: Engine, column: str) -> object:
    """A column of north."""
    with engine.connect() as connection:
        return connection.execute(select(getattr(Node, column)).where(Node.name == "north")).scalar_one()


def test_statement_says_what_is_stored(engine: Engine) -> None:
    enrol_world(engine)
    bad = north_pack(20, 2).replace(b'"/"', b'"%"')
    kept = collect(engine, [offer(north_pack(1, 3)), offer(north_pack(7, 2)), offer(bad)])
    last = kept.sent[-1]
    assert last.topic == NORTH + "ack"
    expected = Statement(
        journal=JOURNAL, upto=3, have=((7, 8),), held=((20, 21, "unit-mismatch"),), t_ms=said(last).t_ms
    )
    assert said(last) == expected
    assert [(bytes(payload), rev) for payload, rev in rows(engine, "SELECT payload, rev FROM downlink")] == [
        (last.payload, last.rev)
    ]


def test_statement_time_rises_though_the_clock_goes_back(engine: Engine) -> None:
    enrol_world(engine)
    first = collect(engine, [offer(north_pack(1))], now_ms=ARRIVAL_MS)
    second = collect(engine, [offer(north_pack(2))], now_ms=ARRIVAL_MS - 3_600_000)
    assert said(first.sent[0]).t_ms == ARRIVAL_MS
    assert [said(word).t_ms for word in second.sent] == [ARRIVAL_MS + 1]
    assert node(engine, "ack_ms") == ARRIVAL_MS + 1


def test_one_statement_a_second(engine: Engine) -> None:
    enrol_world(engine)
    now_s = [100.0]
    with collecting(engine, monotonic=lambda: now_s[0]) as (collector, kept):
        for seq in (1, 2, 3):
            collector.offer(offer(north_pack(seq)))
            until(lambda count=seq: len(kept.taken) == count)  # type: ignore[misc]  # a default binds the loop's value
        assert [said(word).upto for word in kept.sent] == [1]
        now_s[0] += 1.0
        until(lambda: len(kept.sent) == 2)
    assert [said(word).upto for word in kept.sent] == [1, 3]


def test_redelivery_repeats_the_statement(engine: Engine) -> None:
    enrol_world(engine)
    collect(engine, [offer(north_pack(1))])
    assert [said(word).upto for word in collect(engine, [offer(north_pack(1))]).sent] == [1]


def test_statements_that_differ_are_said_at_start(engine: Engine) -> None:
    enrol_world(engine)
    collect(engine, [offer(north_pack(1, 2))])
    assert collect(engine, []).sent == []
    with engine.begin() as connection:
        connection.exec_driver_sql("DELETE FROM downlink")
    assert [said(word).upto for word in collect(engine, []).sent] == [2]


def test_held_pack_is_free_again_once_its_instants_are_stored(engine: Engine) -> None:
    enrol_world(engine)
    held = collect(engine, [offer(north_pack(1).replace(b'"/"', b'"%"'))]).sent[-1]
    free = collect(engine, [offer(north_pack(1))]).sent[-1]
    assert said(held).held == ((1, 1, "unit-mismatch"),)
    assert (said(free).held, said(free).upto) == ((), 1)


def test_status_is_kept_and_moves_the_tail(engine: Engine) -> None:
    enrol_world(engine)
    status = offer(write_status(replace(UP, tail=5, head=9)), leaf="status", at_ms=ARRIVAL_MS + 5)
    kept = collect(engine, [offer(north_pack(5, 2)), status])
    assert kept.codes() == [None, None]
    assert said(kept.sent[-1]).upto == 6
    assert json.loads(str(node(engine, "status")))["fw"] == "2.3.0"
    assert (node(engine, "status_ms"), node(engine, "last_heard_ms")) == (ARRIVAL_MS + 5, ARRIVAL_MS + 5)
    assert rows(engine, "SELECT code, tail FROM journal") == [(JOURNAL, 5)]


def test_a_tail_never_moves_back(engine: Engine) -> None:
    enrol_world(engine)
    for tail in (5, 3):
        collect(engine, [offer(write_status(replace(UP, tail=tail)), leaf="status")])
    assert rows(engine, "SELECT tail FROM journal") == [(5,)]


def test_gone_changes_the_state_alone(engine: Engine) -> None:
    enrol_world(engine)
    up = offer(write_status(UP), leaf="status")
    gone = offer(b'{"st":"gone"}', leaf="status", at_ms=ARRIVAL_MS + 9000)
    collect(engine, [up, gone])
    kept = json.loads(str(node(engine, "status")))
    assert kept == {**json.loads(up.payload), "st": "gone"}
    assert (node(engine, "status_ms"), node(engine, "last_heard_ms")) == (ARRIVAL_MS, ARRIVAL_MS)


def test_gone_before_any_status(engine: Engine) -> None:
    enrol_world(engine)
    collect(engine, [offer(b'{"st":"gone"}', leaf="status")])
    assert json.loads(str(node(engine, "status"))) == {"st": "gone"}


@pytest.mark.parametrize("payload", [b"", b"{", b"[]", b'{"st":"up"}', b'{"st":"dancing"}', b"\xff"])
def test_other_words_are_counted_and_left(engine: Engine, payload: bytes) -> None:
    enrol_world(engine)
    with collecting(engine) as (collector, kept):
        collector.offer(offer(payload, leaf="status"))
        until(lambda: len(kept.taken) == 1)
        assert collector.counters()["states_ignored"] == 1
    assert kept.codes() == [None]
    assert node(engine, "status") is None
    assert rows(engine, "SELECT * FROM quarantine") == []


def test_a_new_journal_closes_the_old(engine: Engine) -> None:
    enrol_world(engine)
    collect(engine, [offer(north_pack(1)), offer(write_status(UP), leaf="status")])
    collect(engine, [offer(write_status(replace(UP, journal="00000001")), leaf="status")])
    present = "SELECT code FROM journal WHERE closed IS NULL"
    assert rows(engine, present) == [("00000001",)]
    collect(engine, [offer(write_status(UP), leaf="status")])
    assert rows(engine, present) == [(JOURNAL,)]


def test_a_drifting_clock_is_kept_once(engine: Engine) -> None:
    enrol_world(engine)
    fixes = [(1767268800000, 1769860800000, 90000), (1767268800000, 1767268801000, 90000)]
    for fix in [*fixes, fixes[0]]:
        collect(engine, [offer(write_status(replace(UP, clock_fix=fix)), leaf="status")])
    assert rows(engine, "SELECT off_ms, suspect FROM clock_fix ORDER BY id") == [(90000, 0), (90000, 1)]
