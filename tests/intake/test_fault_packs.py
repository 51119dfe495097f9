"""Faults of packs and of ourselves, from a socket to the store: the neighbours of a bad pack lose nothing."""

import json
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Engine

from sensors.message.fast import fast as fast_of_wire
from server.intake import judged
from tests.intake.raw import NORTH, PUBLISH, Heard, Socket, publish
from tests.intake.whole import enrol_users, taking_in
from tests.intake.yard import ARRIVAL_MS, JOURNAL, north_pack, rows, until

READINGS = "SELECT count(*) FROM reading"
HELD = "SELECT code, seq_from FROM quarantine ORDER BY id"


def spoiled(seq: int) -> bytes:
    """A pack whose unit is not the channel's."""
    records = json.loads(north_pack(seq))
    records[0]["u"] = "Cel"
    return json.dumps(records).encode()


@pytest.mark.parametrize(("version", "place"), [(5, 1), (4, 100), (5, 200)])
def test_one_bad_pack_among_199_good(engine: Engine, version: int, place: int) -> None:
    enrol_users(engine)
    packs = [spoiled(seq) if seq == place else north_pack(seq) for seq in range(1, 201)]
    with taking_in(engine, rate_per_minute=0) as whole, Socket(whole.port, version) as node:
        node.enter()
        node.send(*[publish(version, seq, payload=pack) for seq, pack in enumerate(packs, 1)])
        answers = [node.hear() for _ in range(200)]
        assert {one.identifier() for one in answers} == set(range(1, 201))
        assert rows(engine, READINGS) == [(2 * 199,)]
        assert rows(engine, HELD) == [("unit-mismatch", place)]
    refused = [one.identifier() for one in answers if len(one.body) > 2]
    assert refused == ([place] if version == 5 else [])


@pytest.fixture
def broken(monkeypatch: pytest.MonkeyPatch) -> bytes:
    """A pack on which our own checker stumbles."""
    pack = north_pack(7)
    usual: Callable[..., Any] = fast_of_wire

    def stumbling(site: str, node: str, payload: bytes, arrival_ms: int, table: Any) -> Any:
        if payload == pack:
            raise ZeroDivisionError("of our own")
        return usual(site, node, payload, arrival_ms, table)

    monkeypatch.setattr(judged, "fast", stumbling)
    return pack


def test_a_checker_that_raises(engine: Engine, broken: bytes, caplog: pytest.LogCaptureFixture) -> None:
    """That pack is kept as `internal` and acknowledged, its neighbours are stored, no statement names it."""
    enrol_users(engine)
    with taking_in(engine) as whole, Socket(whole.port, 5) as node:
        node.enter()
        node.send(*[publish(5, seq, payload=north_pack(seq)) for seq in range(1, 13)])
        answers = {one.identifier(): one.body[2:3] for one in (node.hear() for _ in range(12))}
        assert [number for number, code in answers.items() if code == b"\x83"] == [7]
        assert rows(engine, "SELECT code, payload FROM quarantine") == [("internal", broken)]
        assert rows(engine, READINGS) == [(2 * 11,)]
        node.take("ack")
        told: dict[str, Any] = {}

        def is_told() -> bool:
            heard = node.hear()
            told.update(json.loads(heard.message(5)[1]))
            node.send(b"\x40\x02" + heard.message(5)[2].to_bytes(2, "big"))
            return bool(told["upto"] or told["have"])

        until(is_told)
    assert (told["upto"], told["have"]) == (6, [[8, 12]])
    traces = [record for record in caplog.records if record.exc_info]
    assert len(traces) == 1, "its trace is logged once"


class SetBack:
    """The server's clock: it is set back an hour by hand."""

    def __init__(self) -> None:
        self.now_ms = ARRIVAL_MS

    def __call__(self) -> int:
        return self.now_ms


def test_a_clock_that_is_set_back(engine: Engine) -> None:
    """The `t` of a node's statements still rises, or the node would not believe them."""
    enrol_users(engine)
    clock = SetBack()
    seen: list[dict[str, Any]] = []
    with taking_in(engine, clock_ms=clock) as whole, Socket(whole.port) as node:
        node.enter()
        node.take("ack")
        assert node.is_quiet()
        for seq in (1, 2, 3):
            node.send(publish(4, seq, payload=north_pack(seq)))
            while len(seen) < seq:
                seen += statement(node, node.hear())
            clock.now_ms -= 3_600_000
    assert [one["upto"] for one in seen] == [1, 2, 3]
    times = [one["t"] for one in seen]
    assert times == [ARRIVAL_MS, ARRIVAL_MS + 1, ARRIVAL_MS + 2]
    assert {one["jrn"] for one in seen} == {JOURNAL}


def statement(node: Socket, heard: Heard) -> list[dict[str, Any]]:
    """The statement that a packet brings, acknowledged; none of a PUBACK."""
    if heard.kind != PUBLISH:
        return []
    topic, payload, number = heard.message(4)
    assert topic == NORTH + "ack"
    node.send(b"\x40\x02" + number.to_bytes(2, "big"))
    return [json.loads(payload)]
