"""Quarantine: refused packs, byte for byte, within bounds."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from sqlalchemy import Engine, select

from server.database import session_of
from server.readings import quarantine
from server.readings.quarantine import MOST_BYTES, MOST_PACKS, Refused, expire, held_ranges, hold
from server.readings.tables import Quarantine
from tests.readings.gauges import hang

NOW = datetime(2026, 1, 1, 12, tzinfo=UTC)
PACK = Refused(
    node_id=1,
    topic="hangtrue/v1/saltmarsh-yard/north/readings",
    payload=b"\xff\x00[",
    code="bad-utf8",
    record=None,
    arrival_ms=1767268800000,
    properties=None,
)


def keep(engine: Engine, packs: list[Refused], *, now: datetime = NOW) -> None:
    """Hold these packs."""
    with session_of(engine) as session:
        hold(session.connection(), packs, now=now)


def kept(engine: Engine) -> list[tuple[bytes | None, int, str]]:
    """Payload, times and code of what is held."""
    with session_of(engine) as session:
        rows = session.execute(
            select(Quarantine.payload, Quarantine.times, Quarantine.code).order_by(Quarantine.id)
        )
        return [(payload, times, code) for payload, times, code in rows]


def test_bytes_are_kept_as_they_came(engine: Engine) -> None:
    hang(engine, [])
    keep(engine, [PACK])
    assert kept(engine) == [(b"\xff\x00[", 1, "bad-utf8")]


def test_same_bytes_on_the_same_topic_raise_the_count(engine: Engine) -> None:
    hang(engine, [])
    keep(engine, [PACK, PACK])
    keep(engine, [PACK, replace(PACK, topic=PACK.topic.replace("north", "south"), node_id=None)])
    assert kept(engine) == [(PACK.payload, 3, "bad-utf8"), (PACK.payload, 1, "bad-utf8")]


def test_a_node_has_room_for_a_thousand(engine: Engine) -> None:
    hang(engine, [])
    many = [replace(PACK, payload=b"%d" % number) for number in range(MOST_PACKS + 5)]
    keep(engine, many)
    found = kept(engine)
    assert len(found) == MOST_PACKS + 1
    assert found[-1] == (None, 5, "bad-utf8")


def test_a_node_has_room_for_sixteen_mebibytes(engine: Engine) -> None:
    hang(engine, [])
    size = 20480  # the most that the listener takes
    packs = [
        replace(PACK, payload=b"%07d" % number + b" " * (size - 7))
        for number in range(MOST_BYTES // size + 1)
    ]
    keep(engine, packs)
    assert kept(engine)[-1] == (None, 1, "bad-utf8")
    keep(engine, [replace(PACK, payload=b"another's", node_id=None)])
    assert kept(engine)[-1] == (b"another's", 1, "bad-utf8")


def test_after_ninety_days_a_pack_goes(engine: Engine) -> None:
    hang(engine, [])
    keep(engine, [PACK])
    for days, gone in ((89, 0), (90, 1)):
        with session_of(engine) as session:
            assert expire(session.connection(), now=NOW + timedelta(days=days)) == gone


def test_held_ranges_are_those_that_could_be_read(engine: Engine) -> None:
    hang(engine, [])
    tracked = replace(PACK, code="unknown-channel", journal="7c1e90ab", seq_from=41, seq_to=42)
    keep(engine, [tracked, replace(tracked, payload=b"2", seq_from=7, seq_to=7), replace(PACK, payload=b"3")])
    with session_of(engine) as session:
        connection = session.connection()
        assert held_ranges(connection, 1, "7c1e90ab", now=NOW) == [
            (7, 7, "unknown-channel"),
            (41, 42, "unknown-channel"),
        ]
        assert held_ranges(connection, 1, "00000000", now=NOW) == []
        assert held_ranges(connection, 1, "7c1e90ab", now=NOW + quarantine.KEPT) == []
